"""What can go wrong on a link; the text of each is one sentence."""

from __future__ import annotations

from dialbench.errors import UserError


class LinkError(UserError):
    """The board cannot be reached, or cannot do what was asked."""


class LinkLost(LinkError):
    """A board that answered before is gone, or has fallen silent."""


class Silence(LinkLost):
    """A request got no answer, however often it was sent."""


class SessionOver(LinkLost):
    """The board knows nothing of this session: it has started anew, or serves another host."""


class NotOpen(LinkError):
    """There is no such port, or it cannot be had."""


class Busy(LinkError):
    """Another program talks to the board."""


class NoAnswer(LinkError):
    """Nothing that answers as a board does; it may be one that is still starting."""


class AtPrompt(LinkError):
    """There is a board, and it waits at its prompt instead of running the firmware."""


class Refused(LinkError):
    """The board answers that it cannot meet the request; reason as in SPEC.md."""

    def __init__(self, text: str, reason: int = 0) -> None:
        super().__init__(text)
        self.reason = reason
