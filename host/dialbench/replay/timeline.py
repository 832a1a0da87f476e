"""A day of a dial's face: its channels' states at any instant, and all their changes."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from functools import cached_property
from typing import Literal

import numpy as np

from dialbench.dial import Dial, Step
from dialbench.predict import plan_step
from dialbench.reading import ahead_min, decode, minutes, zone_time
from dialbench.replay.track import Track
from dialbench.sky import Sky, SunFacts, to_us
from dialbench.states import State

STATES = tuple(State)
LIT = frozenset((State.LIT, State.STRAY))  # as measured

Kind = Literal["predicted", "stored"]


@dataclass(frozen=True)
class Instant:
    """The face at one instant. reads: the step that the lit channels spell, None for none;
    should_read: that of the plan while the Sun is up; difference_min: reads, less the clock."""

    utc_us: int
    zone_time: datetime
    states: tuple[State, ...]
    reads: Step | None
    should_read: Step | None
    difference_min: float | None
    sun: SunFacts

    @property
    def observed(self) -> bool:
        return State.UNOBSERVED not in self.states

    def channels(self, state: State) -> tuple[int, ...]:
        """The channels in a state, in order."""
        return tuple(c for c, s in enumerate(self.states) if s is state)


@dataclass(frozen=True)
class Stretch:
    """A time, from start_us to end_us, in which the dial reads the same and the same channels
    are not as predicted."""

    start_us: int
    end_us: int
    observed: bool
    reads: Step | None
    missing: tuple[int, ...]
    stray: tuple[int, ...]

    @property
    def wrong(self) -> bool:
        return bool(self.missing or self.stray)


@dataclass(frozen=True)
class Timeline:
    """One day. states: places in STATES, from start_us up to end_us, microseconds of UTC.

    kind "predicted": a day without a cloud, of the dial as drawn; "stored": as logged, held
    against that.
    """

    dial: Dial
    sky: Sky
    day: date
    kind: Kind
    states: Track

    @property
    def start_us(self) -> int:
        return self.states.start_us

    @property
    def end_us(self) -> int:
        return self.states.start_us + self.states.span_us

    def at(self, utc_us: int) -> Instant:
        """Everything at an instant; ValueError outside the day."""
        sun = self.sky.sun(np.array([utc_us], np.int64))
        step = int(plan_step(self.dial, sun.hour_angle_deg)[0])
        shown = tuple(STATES[k] for k in self.states.at(utc_us)[0].tolist())
        clock = zone_time(self.dial, utc_us)
        reads = self.reads(frozenset(c for c, s in enumerate(shown) if s in LIT), utc_us)
        return Instant(
            utc_us=utc_us,
            zone_time=clock,
            states=shown,
            reads=reads,
            should_read=self.dial.plan.steps[step] if step >= 0 and sun.up[0] else None,
            difference_min=ahead_min(self.dial.plan, reads, minutes(clock)) if reads else None,
            sun=sun.facts(0),
        )

    def instant_us(self, clock: time) -> int | None:
        """When the zone's clock shows a time on this day; None where that is not in it."""
        zone = zone_time(self.dial, self.start_us).tzinfo
        for days in (-1, 0, 1):
            shown = datetime.combine(self.day, clock, zone) + timedelta(days=days)
            if self.start_us <= to_us(shown) < self.end_us:
                return to_us(shown)
        return None

    def reads(self, lit: frozenset[int], utc_us: int) -> Step | None:
        """The step that lit channels spell at an instant; where several do, the nearest."""
        return decode(self.dial, lit, near_min=minutes(zone_time(self.dial, utc_us)))

    def changes(self) -> Iterator[tuple[int, list[tuple[int, State]]]]:
        """(utc_us, [(channel, state it comes to)]) in order of time; all channels at start_us."""
        order = np.argsort(self.states.utc_us, kind="stable")
        rows = zip(
            self.states.utc_us[order].tolist(),
            self.states.channel[order].tolist(),
            self.states.value[order].tolist(),
            strict=True,
        )
        at_us, together = self.start_us, list[tuple[int, State]]()
        for utc_us, channel, value in rows:
            if utc_us != at_us:
                yield at_us, together
                at_us, together = utc_us, []
            together.append((channel, STATES[value]))
        yield at_us, together

    @cached_property
    def stretches(self) -> tuple[Stretch, ...]:
        """The day cut where what it reads, or what is wrong, changes; without gaps, in order."""
        return tuple(self._cut())

    def _cut(self) -> Iterator[Stretch]:
        faces = {step.channels for step in self.dial.plan.steps}
        channels: dict[State, set[int]] = {state: set() for state in State}
        own = [State.UNOBSERVED] * self.states.channels
        before: Stretch | None = None
        for utc_us, together in self.changes():
            for channel, state in together:
                channels[own[channel]].discard(channel)
                channels[state].add(channel)
                own[channel] = state
            lit = frozenset().union(*(channels[state] for state in LIT))
            now = Stretch(
                utc_us,
                self.end_us,
                not channels[State.UNOBSERVED],
                self.reads(lit, utc_us) if lit in faces else None,
                tuple(sorted(channels[State.MISSING])),
                tuple(sorted(channels[State.STRAY])),
            )
            if before is not None:
                if _told(before) == _told(now):
                    continue
                yield Stretch(before.start_us, utc_us, *_told(before))
            before = now
        if before is not None:
            yield before


def _told(one: Stretch) -> tuple[bool, Step | None, tuple[int, ...], tuple[int, ...]]:
    return one.observed, one.reads, one.missing, one.stray
