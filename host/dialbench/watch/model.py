"""What the screen shows, as plain values: what is known and predicted in, one `LiveState`
out. Pure: no terminal, no clock, no link in here."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from dialbench.dial import Dial, Step
from dialbench.reading import ahead_min, decode, minutes, zone_time
from dialbench.shares import Shares, shares
from dialbench.sky import SunFacts, from_us
from dialbench.states import LIT_LEVEL, State, states
from dialbench.watch.events import Changes, Connected, Health, Lost, Marked, Pulling
from dialbench.watch.forecast import Moment, run_out
from dialbench.watch.known import Known

STALE_S = 3.0  # a look older than this says nothing about now
TOGETHER_S = 60.0


@dataclass(frozen=True)
class Change:
    """The next predicted change of the face: the first crossing of 0.50 to come, and
    those within TOGETHER_S after it. lit, dark: the channels that become so."""

    utc_us: int
    in_s: float
    lit: tuple[int, ...]
    dark: tuple[int, ...]


@dataclass(frozen=True)
class LiveState:
    """One instant of the dial, ready to be shown, printed or written as JSON."""

    dial: Dial
    utc_us: int
    states: tuple[State, ...]
    why_unobserved: str  # "" while observed
    reads: Step | None
    should_read: Step | None
    difference_min: float | None  # middle of the interval read, minus zone time
    shares: Shares  # of that difference, as far as there is one
    change: Change | None
    foretold: bool  # whether the changes ahead are known: None then means none in a day
    sun: SunFacts
    connection: Connected | Lost | None
    frame_age_s: float | None
    dropped: int | None
    unshown: int
    health: Health | None
    mark: Marked | None
    pulling: Pulling | None
    comparing: bool  # a log just pulled with the prediction
    happened: tuple[tuple[int, str], ...]

    @property
    def utc(self) -> datetime:
        return from_us(self.utc_us)

    @property
    def zone_time(self) -> datetime:
        """Standard time of the site's zone: a dial knows no summer time."""
        return zone_time(self.dial, self.utc_us)

    def channels(self, state: State) -> tuple[int, ...]:
        """The channels in a state, in order."""
        return tuple(c for c, s in enumerate(self.states) if s is state)

    @property
    def wrong(self) -> tuple[int, ...]:
        """The channels that are not as predicted."""
        return tuple(sorted(self.channels(State.MISSING) + self.channels(State.STRAY)))


def live_state(
    dial: Dial, known: Known, now: Moment, at_frame: Moment | None, now_s: float
) -> LiveState:
    """The state of everything at the instant of `now`.

    at_frame is the prediction for the instant of the last frame, None without one. now_s
    is the host's monotonic clock: a frame's age counts in real seconds, whatever clock
    the dial lives by.
    """
    frame = known.frame
    age = None if frame is None else max(0.0, now_s - frame.heard_s)
    why = _why_unobserved(dial, known, age)
    shown = (State.UNOBSERVED,) * len(dial.channels)
    reads = None
    clock_min = minutes(zone_time(dial, now.utc_us))
    if frame is not None and at_frame is not None and not why:
        shown = states(frame.levels, at_frame.fractions)
        lit = frozenset(c for c, n in enumerate(frame.levels) if n >= LIT_LEVEL)
        reads = decode(dial, lit, near_min=clock_min)
    return LiveState(
        dial=dial,
        utc_us=now.utc_us,
        states=shown,
        why_unobserved=why,
        reads=reads,
        should_read=dial.plan.steps[now.step] if now.step >= 0 and now.sun.up else None,
        difference_min=None if reads is None else ahead_min(dial.plan, reads, clock_min),
        shares=shares(
            dial,
            now.utc_us,
            _hour_angle_deg(now),
            now.equation_of_time_s,
            reads,
            known.seen.shift or known.stored,
        ),
        change=_next_change(known.changes, now.utc_us),
        foretold=not run_out(known.changes, now.utc_us),
        sun=now.sun,
        connection=known.connection,
        frame_age_s=age,
        dropped=None if frame is None else frame.dropped,
        unshown=known.unshown,
        health=known.health,
        mark=known.mark,
        pulling=known.pulling,
        comparing=known.comparing,
        happened=known.happened,
    )


def _hour_angle_deg(now: Moment) -> float:
    """Of the very instant, not of its whole second: the Sun goes 15 deg an hour."""
    return now.sun.hour_angle_deg + now.utc_us % 1_000_000 / 240e6


def _why_unobserved(dial: Dial, known: Known, age_s: float | None) -> str:
    frame = known.frame
    if not isinstance(known.connection, Connected):
        return "no board"
    if not known.ours:
        return "another dial"
    if frame is None or age_s is None or age_s > STALE_S:
        return "no data"
    if len(frame.levels) != len(dial.channels):
        return "no data"  # a board that contradicts its own HELLO
    return "" if frame.gate else "no direct sun"


def _next_change(changes: Changes | None, utc_us: int) -> Change | None:
    ahead = [c for c in changes.crossings if c[0] > utc_us] if changes else []
    if not ahead:
        return None
    first = ahead[0][0]
    together = [c for c in ahead if c[0] <= first + TOGETHER_S * 1e6]
    return Change(
        utc_us=first,
        in_s=(first - utc_us) / 1e6,
        lit=tuple(sorted({channel for _, channel, rising in together if rising})),
        dark=tuple(sorted({channel for _, channel, rising in together if not rising})),
    )


_WHY_NEWS = {
    ("", "no direct sun"): ["direct sun went"],
    ("no direct sun", ""): ["direct sun came"],
    ("", "no data"): ["no live looks any more"],
    ("no direct sun", "no data"): ["no live looks any more"],
}


def news(before: LiveState | None, after: LiveState) -> list[str]:
    """Lines for the list of events: what changed on the face itself."""
    if before is None:
        return []
    lines = []
    if after.reads != before.reads and after.reads is not None:
        lines.append(f"the dial reads {after.reads.spells}")
    for state in (State.MISSING, State.STRAY):
        new = sorted(set(after.channels(state)) - set(before.channels(state)))
        if new:
            lines.append(f"{state.value}: " + ", ".join(str(c) for c in new))
    lines += _WHY_NEWS.get((before.why_unobserved, after.why_unobserved), [])
    return lines
