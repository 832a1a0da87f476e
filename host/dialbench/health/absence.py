"""Crossings that no longer come although the Sun shone: channels and bores that went dark.

A channel that stopped lighting has no crossings to be late. What it has is days of Sun on
which they were due. Each such day is a trial, and a running sum of log likelihood ratios
(Page, Biometrika 41, 1954, from memory) says when there have been too many misses for
chance: the mean number of trials to a false alarm is at least e to the power of its limit
(Lorden, Annals of Mathematical Statistics 42, 1971, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dialbench.compare import MATCHED, MISSED, WINDOW_S
from dialbench.health.lines import BoreFinder, solar_day
from dialbench.ideal import Bores
from dialbench.lit import light_of
from dialbench.sky import Sky
from dialbench.solve import Solved
from dialbench.solve.unknowns import GHOST, POSE, WZ, Layout
from dialcore import frames
from dialcore.crossing import THRESHOLDS

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

_GONE = 0.9  # of the days of one that went dark: it is missed
_LEAST_MISS = 0.01  # of the days of a sound one: less cannot be sure of any dial
_MARGIN = 0.05  # of a level: by so much it must pass the threshold for a crossing to be due
_STEP_S = 20.0
_ALIKE_DEG = 3.75  # of hour angle: what stands in the light hides all channels at once
_HIDDEN = 0.5


@dataclass(frozen=True)
class Due:
    """Crossings that were due in observed time, (n,) each.

    channel, threshold, bore (an index into dial.bores), day (since 1970), seen: whether
    they came.
    """

    channel: Ints
    threshold: Ints
    bore: Ints
    day: Ints
    seen: Bools


@dataclass(frozen=True)
class Absent:
    """A bore (-1: the whole channel) that is not seen to pass a threshold any more.

    threshold: the lowest, an index into THRESHOLDS; seen: the last day (since 1970) on which it
    was; told: the day on which there was enough to say so; days: of Sun without it since.
    astray: whether other crossings of the channel came on those days.
    """

    channel: int
    bore: int
    threshold: int
    seen: int
    told: int
    days: int
    astray: bool


def due(solved: Solved, sky: Sky) -> Due:
    """What was due by the dial as it came out. Raises SkyError for times out of reach."""
    comparison, dial = solved.comparison, solved.dial
    which = np.flatnonzero((comparison.kind == MATCHED) | (comparison.kind == MISSED))
    expected = comparison.predicted
    channel, threshold = expected.channel[which], expected.threshold[which]
    utc_us = expected.utc_us[which]
    seen = comparison.kind[which] == MATCHED
    hour_angle = np.radians(sky.sun(utc_us).hour_angle_deg)
    bore = BoreFinder(dial, float(solved.fit.values.common[WZ])).bore(channel, hour_angle)
    counts = seen.copy()
    missed = np.flatnonzero(~seen)
    counts[missed] = _passes(solved, sky, utc_us[missed], channel[missed], threshold[missed])
    day = solar_day(utc_us, dial.site.longitude_deg)
    counts &= ~_hidden(day, np.degrees(hour_angle), channel, seen)
    return Due(channel[counts], threshold[counts], bore[counts], day[counts], seen[counts])


def absent(found: Due, false_alarms: float, unexpected: set[tuple[int, int]]) -> list[Absent]:
    """What went dark. false_alarms: how many are expected by chance in all these days;
    unexpected: (channel, day) of crossings that nothing was due for."""
    series = _series(found)
    trials = sum(len(days) for _, days, _ in series)
    if not trials:
        return []
    limit = float(np.log(max(trials, 2) / false_alarms))
    missed = np.concatenate([gone for _, _, gone in series])
    told: list[Absent] = []
    # Those that went dark do not tell how often a sound one is missed.
    share = max((float(missed.sum()) + 0.5) / (trials + 1), _LEAST_MISS)
    for _ in range(2):
        alarms = [(key, days, gone, _alarm(gone, share, limit)) for key, days, gone in series]
        quiet = [gone for _, _, gone, alarm in alarms if alarm is None]
        count = sum(len(gone) for gone in quiet)
        share = max((sum(float(gone.sum()) for gone in quiet) + 0.5) / (count + 1), _LEAST_MISS)
    for (channel, bore, threshold), days, gone, alarm in alarms:
        if alarm is None:
            continue
        start, end = alarm
        before = days[:start]
        if not len(before):
            continue  # never seen: that is no change
        after = days[start:][gone[start:]]
        astray = sum((channel, int(day)) in unexpected for day in after) > len(after) / 2
        told.append(
            Absent(channel, bore, threshold, int(before[-1]), int(days[end]), len(after), astray)
        )
    return _outermost(told)


def _series(found: Due) -> list[tuple[tuple[int, int, int], Ints, Bools]]:
    """(channel, bore or -1, threshold), days of trial, missed; a channel's by threshold."""
    series = []
    for whole in (True, False):
        bore = np.full(len(found.bore), -1) if whole else found.bore
        key = (found.channel * 100_000 + bore + 1) * 3 + found.threshold
        order = np.lexsort((found.day, key))
        key, day, seen = key[order], found.day[order], found.seen[order]
        edges = (
            np.flatnonzero(np.diff(key, prepend=-1, append=-1)) if len(key) else np.zeros(0, int)
        )
        for start, stop in zip(edges[:-1].tolist(), edges[1:].tolist(), strict=True):
            days, place = np.unique(day[start:stop], return_inverse=True)
            gone = np.bincount(place, seen[start:stop]) == 0
            code, threshold = divmod(int(key[start]), 3)
            channel, number = divmod(code, 100_000)
            series.append(((channel, number - 1, threshold), days, gone))
    return series


def _alarm(gone: Bools, share: float, limit: float) -> tuple[int, int] | None:
    """From which trial on it is missed, and at which that is sure; None if it never is.

    Only what holds to the last trial counts: what came back is sound.
    """
    up, down = np.log(_GONE / share), np.log((1 - _GONE) / (1 - share))
    total, start, alarm = 0.0, 0, None
    for at, miss in enumerate(gone.tolist()):
        if total <= 0:
            start, alarm = at, None
            total = 0.0
        total += up if miss else down
        if total > limit and alarm is None:
            alarm = at
    return None if alarm is None or total <= limit else (start, alarm)


def _outermost(told: list[Absent]) -> list[Absent]:
    """Without what follows from the rest: a dark channel's bores, and higher thresholds."""
    kept: list[Absent] = []
    for one in sorted(told, key=lambda one: (one.channel, one.bore >= 0, one.threshold, one.bore)):
        if not any(
            other.channel == one.channel
            and other.bore in (-1, one.bore)
            and other.threshold <= one.threshold
            for other in kept
        ):
            kept.append(one)
    return kept


def _hidden(day: Ints, hour_angle_deg: Floats, channel: Ints, seen: Bools) -> Bools:
    """Which crossings came at a time when most channels' did not."""
    slot = np.floor(hour_angle_deg / _ALIKE_DEG).astype(np.int64)
    _, place = np.unique(day * 1000 + slot, return_inverse=True)
    pairs, where = np.unique(place * 1000 + channel, return_inverse=True)
    lit = np.bincount(where, seen) > 0
    group = pairs // 1000
    channels = np.bincount(group)
    dark = np.bincount(group, ~lit)
    hidden: Bools = (dark > _HIDDEN * channels) & (channels >= 3)
    return hidden[place]


def _passes(solved: Solved, sky: Sky, utc_us: Ints, channel: Ints, threshold: Ints) -> Bools:
    """Whether channels' levels pass their thresholds clearly, up and down, about these instants."""
    layout, values = Layout(solved.dial), solved.fit.values
    bores, light = Bores(layout.made(values)), light_of(solved.dial)
    gain, dark = layout.sensors(values)
    wx, wy, wz = values.common[POSE].tolist()
    back = frames.transpose(frames.rotation(wx, wy, wz, np))
    least, most = np.full(len(utc_us), np.inf), np.full(len(utc_us), -np.inf)
    for ahead_s in np.arange(-WINDOW_S, WINDOW_S + 1, _STEP_S):
        sun = sky.sun(utc_us + round(1e6 * ahead_s))
        hour_angle, declination = frames.place(
            frames.apply(back, sun.polar), solved.dial.site.hemisphere, np
        )
        lit = bores.lit(hour_angle, declination, np.radians(sun.semidiameter_deg), channel)
        lit = lit + (1 + values.common[GHOST]) * light.strayed(hour_angle, declination, channel)
        level = (1 + gain[channel]) * lit + dark[channel]
        np.minimum(least, level, out=least)
        np.maximum(most, level, out=most)
    limit = np.asarray(THRESHOLDS)[threshold]
    passes: Bools = (most > limit + _MARGIN) & (least < limit - _MARGIN)
    return passes
