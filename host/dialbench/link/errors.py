"""What can go wrong on a link; the text of each is one sentence."""

from __future__ import annotations

from dialbench.errors import UserError


class LinkError(UserError):
    """The board cannot be reached, or cannot do what was asked."""


class LinkLost(LinkError):
    """A board that answered before is gone, or has fallen silent."""


class Silence(LinkLost):
    """A request got no answer, however often it was sent."""


class Refused(LinkError):
    """The board answers that it cannot meet the request."""
