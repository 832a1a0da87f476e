"""A feed's looks, as the setting assistant answers them; no screen in here."""

from __future__ import annotations

import queue
import time
from collections.abc import Callable, Iterator

from dialbench.dial import Dial
from dialbench.errors import UserError
from dialbench.placing.guide import Guidance
from dialbench.placing.setter import Setter
from dialbench.watch.desk import Feeding
from dialbench.watch.events import Connected, Event, Frame, Lost

_WAIT_S = 0.25


def guided(
    feed: Feeding,
    dial: Dial,
    setter: Setter,
    seconds: float | None,
    moved: Callable[[], bool],
    note: Callable[[str], None],
) -> Iterator[Guidance]:
    """Guidance after each look that there was time for, for so many seconds or for ever.

    moved: whether hands have said since it was last asked that they are done. note: told in a
    sentence when a board vanishes. Raises UserError where there is no board, or another dial's.
    """
    events: queue.SimpleQueue[Event] = queue.SimpleQueue()
    ends_s = None if seconds is None else time.monotonic() + seconds
    connected = False
    feed.start(events.put)
    try:
        while ends_s is None or time.monotonic() < ends_s:
            frame = None
            for event in _come(events):
                if isinstance(event, Connected):
                    if event.dial_hash != dial.hash:
                        raise UserError(
                            f"the board carries another dial ({event.dial_hash}), not this one"
                            f" ({dial.hash}): set it with its own dial.toml"
                        )
                    connected = True
                elif isinstance(event, Lost):
                    if not connected:
                        raise UserError(event.reason)
                    note(event.reason)
                elif isinstance(event, Frame):
                    if len(event.levels) != len(dial.channels):
                        raise UserError(
                            f"the board sends looks of {len(event.levels)} channels, and this dial"
                            f" has {len(dial.channels)}: set the board up for it anew"
                        )
                    frame = event
            if moved():
                done = setter.moved()
                if done is not None:
                    yield done
            if frame is not None:
                yield setter.look(frame.utc_us, frame.gate, frame.levels)
    finally:
        feed.stop()


def _come(events: queue.SimpleQueue[Event]) -> Iterator[Event]:
    """Those that are there, after a short wait for the first."""
    try:
        yield events.get(timeout=_WAIT_S)
        while True:
            yield events.get_nowait()
    except queue.Empty:
        return
