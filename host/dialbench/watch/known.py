"""Everything heard so far, and how an event adds to it. Pure."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from dialbench.dial import Dial
from dialbench.shares import Shift
from dialbench.watch.events import (
    Changes,
    Compared,
    Connected,
    Event,
    Failed,
    Frame,
    Health,
    Judged,
    Lost,
    Marked,
    Noted,
    Pulled,
    Pulling,
    Traced,
    Tracing,
)
from dialbench.watch.seen import Seen, foretold, looked

_KEPT = 200  # lines of the list of events


@dataclass(frozen=True)
class Known:
    """Everything heard so far; `heard` makes the next one."""

    connection: Connected | Lost | None = None
    ours: bool = False  # the board connected was set up for this dial
    frame: Frame | None = None
    health: Health | None = None
    mark: Marked | None = None
    pulling: Pulling | None = None
    comparing: bool = False
    changes: Changes | None = None
    unshown: int = 0  # looks of this board that gave way to newer ones before they were painted
    seen: Seen = field(default_factory=Seen)
    stored: Shift | None = None  # by the log in the store
    happened: tuple[tuple[int, str], ...] = ()

    def noting(self, utc_us: int, text: str) -> Known:
        """The same with one more line in the list of events."""
        return replace(self, happened=(*self.happened, (utc_us, text))[-_KEPT:])

    def passing_over(self, looks: int) -> Known:
        """The same with so many more looks that were never painted."""
        return replace(self, unshown=self.unshown + looks) if looks else self


def heard(known: Known, event: Event, now_us: int, dial: Dial) -> Known:
    """What is known after an event; now_us stamps the line it may add to the events."""
    match event:
        case Connected():
            ours = event.dial_hash == dial.hash
            if event.uid != known.seen.uid:
                known = replace(known, seen=Seen(event.uid, due=known.seen.due), stored=None)
            known = replace(known, connection=event, ours=ours, frame=None, pulling=None, unshown=0)
            known = known.noting(now_us, f"board {event.uid} answers on {event.port}")
            if event.trouble:
                known = known.noting(now_us, f"the board does not log: {event.trouble}")
            if not ours:
                known = known.noting(now_us, _other_dial(event, dial))
            return known
        case Lost():
            before = known.connection
            told = isinstance(before, Lost) and before.reason == event.reason
            there_was = isinstance(before, Connected) or (
                isinstance(before, Lost) and before.vanished
            )
            lost = replace(event, vanished=event.vanished or there_was)
            known = replace(known, connection=lost, frame=None, pulling=None)
            return known if told else known.noting(now_us, event.reason)
        case Frame():
            seen = looked(known.seen, known.frame, event) if known.ours else known.seen
            return replace(known, frame=event, seen=seen, unshown=known.unshown + event.unshown)
        case Health():
            return replace(known, health=event)
        case Marked():
            known = replace(known, mark=event)
            return known.noting(now_us, f"clock mark, within {event.sigma_us / 1000:.1f} ms")
        case Pulling():
            return replace(known, pulling=event)
        case Pulled():
            known = replace(known, pulling=None, comparing=True)
            known = known.noting(now_us, f"log pulled, {event.new_pages} pages new")
            return known.noting(now_us, event.trouble) if event.trouble else known
        case Compared():
            return replace(known, comparing=False)
        case Judged():
            return replace(known, stored=event.shift)
        case Failed():
            known = replace(known, pulling=None)
            return known.noting(now_us, f"pull: {event.reason}")
        case Noted():
            return known.noting(now_us, event.text)
        case Changes():
            return replace(known, changes=event, seen=foretold(known.seen, event))
        case Tracing():
            return known.noting(now_us, event.trouble) if event.trouble else known
        case Traced():
            return known


def _other_dial(board: Connected, dial: Dial) -> str:
    return f"the board carries another dial ({board.dial_hash}), not this one ({dial.hash})"
