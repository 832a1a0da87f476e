"""What every page works with: the dial, its predictions, its board and its store."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from dialbench.dial import Dial
from dialbench.sky import Sky
from dialbench.watch.events import Event
from dialbench.watch.forecast import Forecast
from dialbench.watch.wishes import Wish


class Feeding(Protocol):
    """Where events come from: it may call post from a thread of its own."""

    def start(self, post: Callable[[Event], None]) -> None: ...

    def ask(self, wish: Wish) -> None: ...

    def stop(self) -> None: ...


@dataclass(frozen=True)
class Desk:
    """clock_us gives UTC in microseconds, monotonic_s the host's steady clock; the store at
    store_path is made by the first board that talks, so it may not be there. blocks: whether
    the terminal shows more than ASCII."""

    dial: Dial
    sky: Sky
    store_path: Path
    forecast: Forecast
    feed: Feeding
    clock_us: Callable[[], int]
    monotonic_s: Callable[[], float]
    blocks: bool
