"""A year's light, looked at in groups of days on two threads, and what is kept of it."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from threading import Event, Lock

import numpy as np

from dialbench.audit import brightness as bright
from dialbench.audit import crossings, edges, ghosts, showing
from dialbench.audit.brightness import Brightness, Contrasts
from dialbench.audit.columns import joined, only
from dialbench.audit.crossings import LEVEL
from dialbench.audit.edges import Edges
from dialbench.audit.ghosts import Sightings
from dialbench.audit.minutes import Bools, Floats, Ints, PlanTime, look, wanted
from dialbench.audit.showing import Pieces
from dialbench.dial import Dial
from dialbench.lit import Light
from dialbench.path import Place

Progress = Callable[[str, float], None]

_THREADS = 2
_VALUES = 1 << 19  # of lit fractions worked on together


@dataclass(frozen=True)
class Year:
    """What one year of the plan's time shows of a dial; see the modules it comes from.

    minutes, right, wrong, shape (days,): full minutes in the plan's time; those in which
    exactly the right channels are lit to a half; those in which one is that should not.
    """

    time: PlanTime
    pieces: Pieces
    edges: Edges
    sightings: Sightings
    middle: Contrasts
    half: Contrasts
    brightness: Brightness
    minutes: Ints
    right: Ints
    wrong: Ints


@dataclass(frozen=True)
class _Part:
    pieces: Pieces
    edges: Edges
    sightings: Sightings
    middle: Contrasts
    half: Contrasts
    brightness: Brightness
    counts: Ints  # (minutes, right, wrong; days)


def year_of(dial: Dial, time: PlanTime, progress: Progress | None = None) -> Year:
    """Every minute of the plan's time. time must have a run at least."""
    wants = wanted(dial)
    groups = _groups(dial, time)
    lock, stop, done = Lock(), Event(), 0

    def work(mine: list[Ints]) -> list[_Part]:
        nonlocal done
        # Each thread has its own field of stray light, which another would have to wait for.
        light, parts = Light(dial), []
        for runs in mine:
            if stop.is_set():
                break
            parts.append(_part(light, time, wants, runs))
            with lock:
                done += 1
                if progress is not None:
                    progress("year", done / len(groups))
        return parts

    share = -(-len(groups) // _THREADS)
    with ThreadPoolExecutor(_THREADS) as pool:
        shares = [groups[k : k + share] for k in range(0, len(groups), share)]
        try:
            parts = [part for each in pool.map(work, shares) for part in each]
        finally:
            stop.set()  # an interrupt need not wait for the rest of the year
    pieces = joined([part.pieces for part in parts])
    minutes, right, wrong = np.sum([part.counts for part in parts], axis=0)
    return Year(
        time,
        only(pieces, np.argsort(pieces.begin_us, kind="stable")),
        joined([part.edges for part in parts]),
        joined([part.sightings for part in parts]),
        joined([part.middle for part in parts]),
        joined([part.half for part in parts]),
        Brightness.together([part.brightness for part in parts]),
        minutes,
        right,
        wrong,
    )


def _groups(dial: Dial, time: PlanTime) -> list[Ints]:
    """Runs worked on together: of one declination, so that each thread has its own half of
    the field of stray light, and finds what it needs of it close together."""
    noons = time.place((time.begin_us + time.end_us) // 2).declination
    order = np.argsort(noons, kind="stable")
    day_min = max(1.0, dial.plan.step_min * time.steps)
    together = max(1, int(_VALUES / (day_min * max(1, len(dial.channels)))))
    return [order[k : k + together] for k in range(0, len(order), together)]


def _part(light: Light, time: PlanTime, wants: Bools, runs: Ints) -> _Part:
    runs = np.sort(runs)
    seen = look(light, time, runs)

    def own_at(place: Place, channel: Ints) -> Floats:
        return light.bores.lit(place.hour_angle, place.declination, place.semidiameter, channel)

    passed = crossings.passed(light.at, time, seen, seen.lit)
    own_passed = crossings.passed(own_at, time, seen, seen.own)
    lit, want = seen.lit >= LEVEL, wants[seen.step]
    day = time.day[seen.run]
    facts = (
        seen.inside,
        seen.inside & (lit == want).all(axis=1),
        seen.inside & (lit & ~want).any(axis=1),
    )
    counts = np.stack([np.bincount(day[fact], minlength=len(time.dates)) for fact in facts])
    return _Part(
        showing.pieces(time, wants, seen, passed),
        edges.edges(time, wants, light.dial.plan.step_min, seen, passed, own_passed),
        ghosts.sightings(time, wants, seen),
        bright.in_the_middle(light, time, wants, runs),
        bright.about_the_middle(time, wants, seen),
        bright.brightness(time, wants, seen),
        counts,
    )
