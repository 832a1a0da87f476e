"""What the feed's thread has told and the screen has not yet heard."""

from __future__ import annotations

import threading

from dialbench.watch.events import Event, Frame

FRAMES = 64  # looks that wait at most: while the terminal stands still, the board goes on


class Inbox:
    """Events in their order, from any thread to one. Looks that give way to newer ones, as
    more than FRAMES wait, are counted; nothing else is ever dropped."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._events: list[Event] = []
        self._frames = 0
        self._passed_over = 0

    def put(self, event: Event) -> bool:
        """Whether it is the first that waits: then the screen is to be woken."""
        with self._lock:
            self._events.append(event)
            if isinstance(event, Frame):
                self._frames += 1
            if self._frames > FRAMES:
                self._events.remove(next(e for e in self._events if isinstance(e, Frame)))
                self._frames -= 1
                self._passed_over += 1
            return len(self._events) == 1

    def take(self) -> tuple[list[Event], int]:
        """All that wait, and how many looks were dropped since the last time."""
        with self._lock:
            taken = self._events, self._passed_over
            self._events, self._frames, self._passed_over = [], 0, 0
            return taken
