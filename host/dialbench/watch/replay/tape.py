"""Where in a day the replay stands, and whether and how fast it plays. Pure."""

from __future__ import annotations

from dataclasses import dataclass, replace

SPEEDS = (1, 10, 60, 300, 600, 1800, 3600)  # times as fast as the day itself
MINUTE_US, HOUR_US = 60_000_000, 3_600_000_000


@dataclass(frozen=True)
class Tape:
    """at_us lies from start_us up to before end_us; speed is a place in SPEEDS."""

    start_us: int
    end_us: int
    at_us: int
    playing: bool = False
    speed: int = SPEEDS.index(600)

    def to(self, at_us: int) -> Tape:
        """At another instant, or at the end of the day that is nearer to it."""
        return replace(self, at_us=max(self.start_us, min(self.end_us - 1, at_us)))

    def by(self, us: int) -> Tape:
        """So much further, or back."""
        return self.to(self.at_us + us)

    def after(self, seconds: float) -> Tape:
        """So many seconds later; it stops at the end of the day."""
        if not self.playing:
            return self
        moved = self.by(round(seconds * SPEEDS[self.speed] * 1e6))
        return replace(moved, playing=moved.at_us < self.end_us - 1)

    def switched(self) -> Tape:
        """Played or stopped; played from the start where it stands at the end."""
        if self.playing:
            return replace(self, playing=False)
        at_us = self.start_us if self.at_us >= self.end_us - 1 else self.at_us
        return replace(self, playing=True, at_us=at_us)

    def faster(self, steps: int) -> Tape:
        """At a speed so many places on, as far as there is one."""
        return replace(self, speed=max(0, min(len(SPEEDS) - 1, self.speed + steps)))
