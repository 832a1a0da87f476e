"""A virtual dial to be watched, in place of a board on a port."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

# What is heavy is loaded when the dial is started, behind a screen's first frame.
if TYPE_CHECKING:
    from dialbench.dial import Dial
    from dialbench.watch.feed import Source

# Mid-morning on Gannet Holm, a few minutes before a step ends.
VIRTUAL_START = datetime(2027, 4, 16, 11, 10, tzinfo=UTC)
_SETTLE_S = 2  # of the virtual dial's time before the first look
_FAST_SCAN_MS = 1000
_SCAN_MS = 100


@contextmanager
def virtual_source(
    dial: Dial, folder: Path, at: datetime, speed: float, turned: float, cloudy: bool, seed: int
) -> Iterator[Source]:
    """A virtual dial that lives from an instant on, so many times as fast as the clock."""
    from dialbench.commands import screen
    from dialbench.sky import to_us
    from dialbench.virtual import clouds
    from dialbench.virtual.process import VirtualDial
    from dialbench.virtual.truth import Truth
    from dialbench.watch.feed import Source

    start_us = to_us(at)
    scan_ms = _SCAN_MS if speed <= 10 else _FAST_SCAN_MS
    sky_light = clouds.Invented(seed) if cloudy else clouds.Clear()
    with VirtualDial(
        Truth.draw(dial, seed, turned),
        sky_light,
        folder / "board",
        start_us,
        seed=seed,
        scan_ms=scan_ms,
    ) as board:
        ready_us = start_us + _SETTLE_S * 1_000_000
        board.run(start_us, ready_us)
        board.start(ready_us, speed)
        try:
            yield Source(board.port, board.clock)
        finally:
            if not board.real_micropython:
                screen.note(screen.NO_MICROPYTHON)  # not on a screen that will be gone
