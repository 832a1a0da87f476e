"""What a campaign repeats: one bore's crossings of one threshold, one way, day after day.

Such a *line* has a mean of its own, in which all that is lasting about its bore, its sensor
and the light that strays into it is contained. What is looked at here is how a line strays
from that mean, and what it would do if something about its channel changed.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import NDArray

from dialbench.dial import Dial
from dialbench.sky import Sky
from dialbench.solve import Solved
from dialbench.solve.response import Met, Response
from dialbench.solve.unknowns import (
    ALL_WIDTHS,
    AXIS,
    DARK,
    EXIT,
    GAIN,
    OFFSET,
    WIDTH,
    WZ,
    Layout,
)

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

_DAY_US = 86_400_000_000
_US_PER_DEG = _DAY_US / 360
_EPOCH = date(1970, 1, 1).toordinal()
_TOLD = 0.95  # of a line's crossings must tell a time
_NEIGHBOURS = 3  # of a line's crossings on either side, whose median an outlier is held to
_MAD = 1.4826  # a normal distribution's sigma over its median distance
_OUTLIER = 3.0  # sigmas from that median


@dataclass(frozen=True)
class Lines:
    """Lines of a campaign, sorted by channel; days that brought crossings, in order.

    day: (days,) days since 1970 of the site's mean solar time. channel, threshold, rise,
    bore, hour_angle: (lines,), bore an index into dial.bores, hour_angle in radians.
    late_s: (lines, days) measured less solved time, 0 where there is none; weight: 1 / its
    variance, 0 where there is none. gain, dark, exit, axis, entry, turn, entries: (lines,)
    seconds later for more of it: of the channel's own gain, dark level and exit, of the bore's
    own axis (a radian) and entry, of the whole body's turn (a radian) and all entries.
    """

    day: Ints
    channel: Ints
    threshold: Ints
    rise: Bools
    bore: Ints
    hour_angle: Floats
    late_s: Floats
    weight: Floats
    gain: Floats
    dark: Floats
    exit: Floats
    axis: Floats
    entry: Floats
    turn: Floats
    entries: Floats


class BoreFinder:
    """Whose crossing it is: the bore of its channel that looks nearest to the Sun."""

    def __init__(self, dial: Dial, turn: float) -> None:
        self._turn = turn * dial.site.hemisphere
        self._numbers = [
            np.array([n for n, bore in enumerate(dial.bores) if bore.channel == channel], np.int64)
            for channel in range(len(dial.channels))
        ]
        self._axis = np.radians([bore.hour_angle_deg for bore in dial.bores])

    def bore(self, channel: Ints, hour_angle: Floats) -> Ints:
        """Indices into dial.bores, -1 where the channel has none; hour_angle true, radians."""
        found = np.full(len(channel), -1)
        for number in np.unique(channel).tolist():
            mine = self._numbers[number]
            if len(mine):
                here = np.flatnonzero(channel == number)
                away = hour_angle[here, None] + self._turn - self._axis[mine]
                found[here] = mine[np.abs(away).argmin(axis=1)]
        return found


def solar_day(utc_us: Ints, longitude_deg: float) -> Ints:
    """Days since 1970 of a site's mean solar time."""
    return np.floor_divide(utc_us + round(longitude_deg * _US_PER_DEG), _DAY_US)


def named_day(day: int) -> date:
    return date.fromordinal(_EPOCH + day)


def lines(solved: Solved, sky: Sky) -> Lines:
    """The lines of a solved log. Raises SkyError for times out of reach."""
    dial, fitted = solved.dial, solved.fit
    measured, places = solved.comparison.measured, solved.places
    layout = Layout(dial)
    late_us = np.rint(1e6 * (fitted.left_s + fitted.values.common[OFFSET])).astype(np.int64)
    channel, utc_us = measured.channel[places], measured.utc_us[places]
    response = Response(dial, sky, layout)
    met = response.at(fitted.values, utc_us - late_us, channel, measured.rise[places]).in_time()
    hour_angle = np.radians(sky.sun(utc_us).hour_angle_deg)
    finder = BoreFinder(dial, float(fitted.values.common[WZ]))
    bore = finder.bore(channel, hour_angle)
    threshold, rise = measured.threshold[places], measured.rise[places]
    told = met.told & fitted.told & (bore >= 0)
    # Where the light is just so much that some of a line's crossings tell a time and some do
    # not, those that do are a choice, and it changes with the season.
    _, line = np.unique(_keys(channel, bore, threshold, rise), return_inverse=True)
    told &= (np.bincount(line, told) / np.bincount(line))[line] > _TOLD
    partials = _partials(layout, met, channel, bore)
    return gathered(
        solar_day(utc_us, dial.site.longitude_deg)[told],
        channel[told],
        threshold[told],
        rise[told],
        bore[told],
        hour_angle[told],
        fitted.left_s[told],
        fitted.sigma_s[told],
        {name: values[told] for name, values in partials.items()},
    )


def gathered(
    day: Ints,
    channel: Ints,
    threshold: Ints,
    rise: Bools,
    bore: Ints,
    hour_angle: Floats,
    late_s: Floats,
    sigma_s: Floats,
    partials: dict[str, Floats],
) -> Lines:
    """Lines out of single crossings, arrays of one length, fields as those of Lines."""
    key = _keys(channel, bore, threshold, rise)
    _, first, line = np.unique(key, return_index=True, return_inverse=True)
    days, column = np.unique(day, return_inverse=True)
    shape = (len(first), len(days))
    cell = line * len(days) + column
    count = np.bincount(cell, minlength=shape[0] * shape[1]).reshape(shape)
    seen = np.maximum(count, 1)

    def mean(values: Floats) -> Floats:
        return np.asarray(np.bincount(line, values, len(first)) / np.bincount(line))

    def daily(values: Floats) -> Floats:
        return np.asarray(np.bincount(cell, values, shape[0] * shape[1]).reshape(shape) / seen)

    variance = np.where(count > 0, daily(sigma_s**2), np.inf)
    return Lines(
        days,
        channel[first],
        threshold[first],
        rise[first],
        bore[first],
        mean(hour_angle),
        daily(late_s),
        1 / variance,
        **{name: mean(values) for name, values in partials.items()},
    )


def _keys(channel: Ints, bore: Ints, threshold: Ints, rise: Bools) -> Ints:
    return np.asarray(((channel * 100_000 + bore) * 3 + threshold) * 2 + rise, np.int64)


def _partials(layout: Layout, met: Met, channel: Ints, bore: Ints) -> dict[str, Floats]:
    """Seconds later of each crossing by each unknown that Lines names."""
    row, column, seconds = met.own
    start = np.cumsum([0, *(len(kind) for kind in layout.kind[:-1])])
    place = start[channel[row]] + column
    kind = np.concatenate(layout.kind)[place]
    of_bore = np.concatenate(layout.bore)[place]
    mine = (of_bore < 0) | (of_bore == bore[row])

    def own(wanted: int) -> Floats:
        here = mine & (kind == wanted)
        return np.asarray(np.bincount(row[here], seconds[here], len(channel)), np.float64)

    return {
        "gain": own(GAIN),
        "dark": own(DARK),
        "exit": own(EXIT),
        "axis": own(AXIS),
        "entry": own(WIDTH),
        "turn": met.common[:, WZ],
        "entries": met.common[:, ALL_WIDTHS],
    }


def held(late_s: Floats, weight: Floats) -> Floats:
    """The same with outliers held to the median of their neighbours, line by line.

    What changes slowly passes; a cloud's edge or an insect counts for no more than an
    unlucky crossing. Shapes (lines, days).
    """
    kept = late_s.copy()
    for line in range(len(late_s)):
        here = np.flatnonzero(weight[line])
        values = late_s[line, here]
        around = min(2 * _NEIGHBOURS + 1, len(here) - (len(here) + 1) % 2)
        if around < 3:
            continue
        windows = np.lib.stride_tricks.sliding_window_view(values, around)
        # Towards the ends it is the outermost window's: a narrower one would be at the mercy of two.
        median = np.median(windows, axis=1)
        spread = np.median(np.abs(windows - median[:, None]), axis=1)
        middle, spread = (np.pad(one, around // 2, mode="edge") for one in (median, spread))
        sigma = 1 / np.sqrt(weight[line, here])
        # A line's own scatter may be wider than its model has it, and what changes spreads too.
        size = max(1.0, _MAD * float(np.median(np.abs(values - middle) / sigma)))
        reach = _OUTLIER * np.maximum(size * sigma, _MAD * spread)
        kept[line, here] = np.clip(values, middle - reach, middle + reach)
    return kept
