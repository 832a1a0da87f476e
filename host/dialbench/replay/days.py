"""Days to be replayed: predicted ones, and those of a log beside what was predicted."""

from __future__ import annotations

from datetime import date
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from dialbench import predict
from dialbench.compare import Interval
from dialbench.crossing import Crossings
from dialbench.dial import Dial
from dialbench.errors import UserError
from dialbench.logged import Logged
from dialbench.predict import Progress
from dialbench.reading import Pattern, pattern, zone_time
from dialbench.replay.timeline import STATES, Kind, Timeline
from dialbench.replay.track import Track, counted, looked_up
from dialbench.sky import Sky
from dialbench.spans import Spans
from dialbench.states import LIT_LEVEL, State, states
from dialcore.crossing import THRESHOLDS

Ints = NDArray[np.int64]

_HALF = 1  # the threshold at lit fraction 0.50
_HALF_DAY_US = 43_200_000_000
_EARLY_US = 1_000_000  # a snapshot may be stamped so much before its observed time

# States by what is measured (unobserved, dark, lit) and by how many thresholds the predicted
# lit fraction is above.
_BETWEEN = (0.0, *((a + b) / 2 for a, b in pairwise(THRESHOLDS)), 1.0)
_TABLE = np.array(
    [
        [STATES.index(State.UNOBSERVED)] * len(_BETWEEN),
        *(
            [STATES.index(states([level], [fraction])[0]) for fraction in _BETWEEN]
            for level in (0, LIT_LEVEL)
        ),
    ]
)


class ReplayError(UserError):
    """A day that cannot be replayed; one sentence."""


def predicted_day(dial: Dial, sky: Sky, day: date, progress: Progress | None = None) -> Timeline:
    """A day without a cloud, from the Sun's rise over the skyline to its set, of the dial as drawn.

    Raises ReplayError in polar night, SkyError for a day out of the ephemeris' reach.
    """
    light = sky.daylight(day)
    up = None if light is None else sky.up_spans(*light)
    if light is None or up is None or not len(up.begin_us):
        raise ReplayError(f"the Sun does not rise at {dial.site.name} on {day}: choose another day")
    bounds = int(up.begin_us[0]), int(up.end_us[-1])
    spans = predict.spans(dial, sky, *bounds, progress=progress)
    lit = spans.only(spans.threshold == _HALF)
    observed = list(zip(up.begin_us.tolist(), up.end_us.tolist(), strict=True))
    shown = _shown(dial, bounds, observed, lit.channel, lit.begin_us, lit.end_us)
    return _timeline(dial, sky, day, "predicted", spans, shown)


def stored_day(
    logged: Logged, dial: Dial, sky: Sky, day: date, progress: Progress | None = None
) -> Timeline:
    """A day as logged, from the Sun's rise to its set, and longer where the log says so.

    It reaches half a day to either side of the Sun's noon. Raises ReplayError where nothing
    was observed then, SkyError for times out of the ephemeris' reach.
    """
    noon_us = sky.noon_us(day)
    low_us, high_us = noon_us - _HALF_DAY_US, noon_us + _HALF_DAY_US
    blind = set(logged.unlogged.get(_HALF, ()))  # nobody can tell what was lit then
    seen = [span for span in logged.observed if span not in blind]
    ours = [(start, end) for start, end in seen if end > low_us and start < high_us and end > start]
    if not ours:
        raise ReplayError(_no_data(dial, sky, day, seen))
    shown = _pattern(logged, ours).within([(low_us, high_us)])
    light = sky.daylight(day)
    edges = [int(shown.start_us[0]), int(shown.end_us[-1]), *(light or ())]
    bounds = min(edges), max(edges)
    spans = predict.spans(dial, sky, *bounds, progress=progress)
    piece = np.repeat(np.arange(len(shown.face)), [len(shown.faces[k]) for k in shown.face])
    channel = np.array([c for k in shown.face for c in sorted(shown.faces[k])], np.int64)
    observed = list(zip(shown.start_us.tolist(), shown.end_us.tolist(), strict=True))
    measured = _shown(dial, bounds, observed, channel, shown.start_us[piece], shown.end_us[piece])
    return _timeline(dial, sky, day, "stored", spans, measured)


def _pattern(logged: Logged, observed: list[Interval]) -> Pattern:
    """What was lit in some of the observed time; the rest of a long log is not gone through."""
    low_us = min(start for start, _ in observed) - _EARLY_US
    high_us = max(end for _, end in observed)
    one = logged.measured
    near = (one.utc_us >= low_us) & (one.utc_us <= high_us)
    snapshots = [shot for shot in logged.snapshots if low_us <= shot[0] <= high_us]
    crossings = Crossings(one.channel, one.threshold, one.rise, one.utc_us).only(near)
    return pattern(crossings, observed, snapshots)


def _shown(
    dial: Dial,
    bounds: Interval,
    observed: list[Interval],
    channel: Ints,
    begin_us: Ints,
    end_us: Ints,
) -> Track:
    """What was measured: 0 unobserved, 1 dark, 2 lit."""
    channels = len(dial.channels)
    begins, ends = np.array(observed, np.int64).T
    known = channel < channels  # a snapshot may say more than the dial has
    return counted(
        channels,
        *bounds,
        np.concatenate((np.repeat(np.arange(channels), len(observed)), channel[known])),
        np.concatenate((np.tile(begins, channels), begin_us[known])),
        np.concatenate((np.tile(ends, channels), end_us[known])),
    )


def _timeline(
    dial: Dial, sky: Sky, day: date, kind: Kind, predicted: Spans, measured: Track
) -> Timeline:
    levels = counted(
        len(dial.channels),
        measured.start_us,
        measured.start_us + measured.span_us,
        predicted.channel,
        predicted.begin_us,
        predicted.end_us,
    )
    return Timeline(dial, sky, day, kind, looked_up(measured, levels, _TABLE))


def _no_data(dial: Dial, sky: Sky, day: date, seen: list[Interval]) -> str:
    if not seen:
        return f"the log saw no direct sun, on {day} or any other day: pull first"
    first_us, last_us = min(start for start, _ in seen), max(end for _, end in seen)
    sky.sun(np.array([first_us, last_us]))  # no calendar goes as far as a log may claim
    first, last = (zone_time(dial, at).date() for at in (first_us, last_us))
    reach = f"on {first}" if first == last else f"from {first} to {last}"
    return f"the log saw no direct sun on {day}; what it holds was seen {reach}: choose such a day"
