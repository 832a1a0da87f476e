"""What the ephemeris says of a dial as drawn: when which channel is lit, ghosts included.

A prediction is made in two halves that know nothing of each other. The dial's: where in
the sky of the body's frame the lit fraction of a channel passes a threshold (`borders`,
`chains`; the same on every day, kept on disk). The Sun's: its path over the body, day by
day (`path`). Where the two meet (`meeting`) lies a crossing; from crossings and the hours
of sunshine come lit spans (`spans`). Days are worked on in small groups, on two threads:
a decade takes the memory of a fortnight.

The body's frame is the frame P of its site, or that frame turned by a given pose.
"""

from __future__ import annotations

import math
import zlib
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from dialbench import chains, kept, meeting
from dialbench import path as paths
from dialbench import spans as lit_spans
from dialbench.borders import MARK_KINDS, Marks, marks
from dialbench.chains import Borders
from dialbench.crossing import NOMINAL, Crossings, Pose
from dialbench.dial import Dial
from dialbench.layout import plan_edges_deg
from dialbench.lit import Light, light_of
from dialbench.path import Path, Place
from dialbench.sky import Sky, SunPlace
from dialbench.spans import CROSSING, Spans
from dialcore import frames
from dialcore.crossing import THRESHOLDS

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Progress = Callable[[str, float], None]

DAYS = 16  # worked on together
_THREADS = 2
_FINE_DEG, _COARSE_DEG = 0.2, 1.75  # between rows
_BAND = {_FINE_DEG: 4, _COARSE_DEG: 1}  # rows worked out and kept together
_MARGIN = 1  # rows beyond those that the Sun comes to
# A lit fraction may come nearer to a threshold between two rows than it is on either.
_NEAR = {_FINE_DEG: 0.1, _COARSE_DEG: 0.03}
_EXACT, _STRAYED = 3e-8, 2e-5  # radians (0.4 ms, 0.3 s) to which borders are followed
_TOUCH = 1e-9  # a plateau that equals a threshold is lit, whatever its last digit says
_FORMAT = "1"


def spans(
    dial: Dial,
    sky: Sky,
    start_us: int,
    end_us: int,
    pose_deg: Pose = NOMINAL,
    thresholds: tuple[float, ...] = THRESHOLDS,
    ghosts: bool = True,
    progress: Progress | None = None,
) -> Spans:
    """All lit spans from start_us to end_us, in microseconds of UTC.

    With ghosts off, each channel's own bores alone count, as if all others were shut.
    Raises SkyError.
    """
    parts = list(stream(dial, sky, start_us, end_us, pose_deg, thresholds, ghosts, progress))
    return lit_spans.joined([lit_spans.EMPTY, *parts])


def crossings(
    dial: Dial,
    sky: Sky,
    start_us: int,
    end_us: int,
    pose_deg: Pose = NOMINAL,
    thresholds: tuple[float, ...] = THRESHOLDS,
    ghosts: bool = True,
) -> Crossings:
    """Every crossing while the Sun is up; arguments as spans.

    A rise counts from start_us up to before end_us, a fall from after start_us to end_us: so
    requests that follow one another have every crossing once.

    The Sun's rise or set over a lit bore is no crossing. To 10 ms where nothing strays
    from bore to bore; where it does, as good as the rays are many.
    """
    return crossings_of(spans(dial, sky, start_us, end_us, pose_deg, thresholds, ghosts))


def crossings_of(found: Spans) -> Crossings:
    """The crossings at which spans begin and end, sorted by time."""
    rises, falls = found.begin_kind == CROSSING, found.end_kind == CROSSING
    utc_us = np.concatenate((found.begin_us[rises], found.end_us[falls]))
    channel = np.concatenate((found.channel[rises], found.channel[falls]))
    threshold = np.concatenate((found.threshold[rises], found.threshold[falls]))
    rise = np.arange(len(utc_us)) < rises.sum()
    order = np.lexsort((threshold, channel, utc_us))
    return Crossings(channel[order], threshold[order], rise[order], utc_us[order])


def stream(
    dial: Dial,
    sky: Sky,
    start_us: int,
    end_us: int,
    pose_deg: Pose = NOMINAL,
    thresholds: tuple[float, ...] = THRESHOLDS,
    ghosts: bool = True,
    progress: Progress | None = None,
) -> Iterator[Spans]:
    """The same spans in groups of some days, in the order of time, as they are worked out."""
    if end_us <= start_us or not dial.bores:
        return
    light = light_of(dial, ghosts)
    levels = tuple(level - _TOUCH for level in thresholds)
    first, last = paths.first_day(sky, start_us), paths.first_day(sky, end_us - 1)
    starts = range(first, last + 1, DAYS)
    reach_deg = light.reach_deg + float(np.linalg.norm(pose_deg))

    def path_of(day: int) -> Path:
        return paths.over(sky, day, min(DAYS, last + 1 - day), pose_deg, reach_deg)

    borders = _borders_for(light, levels, sky, pose_deg, starts, path_of, progress)
    if borders is None:
        return
    up = sky.up_spans(start_us, end_us)

    def work(day: int) -> Spans:
        path = path_of(day)
        met = meeting.meetings(light, levels, borders, path)
        return lit_spans.spans(light, met, path, up)

    with ThreadPoolExecutor(_THREADS) as pool:
        waiting: deque[Future[Spans]] = deque()
        for count, day in enumerate(starts):
            waiting.append(pool.submit(work, day))
            if len(waiting) > _THREADS:
                yield waiting.popleft().result()
            if progress is not None:
                progress("days", (count + 1) / len(starts))
        while waiting:
            yield waiting.popleft().result()


def _borders_for(
    light: Light,
    thresholds: tuple[float, ...],
    sky: Sky,
    pose_deg: Pose,
    starts: range,
    path_of: Callable[[int], Path],
    progress: Progress | None,
) -> Borders | None:
    """The borders that the Sun may meet on these days; None where it never shows."""
    turned_deg = float(np.linalg.norm(pose_deg))
    # Light comes almost always through some bore's own mouth. Near the horizon, where no
    # bore looks, refraction would ask for more rows than all the rest of the day.
    for within_deg in (light.near_deg + turned_deg, 360.0):
        if len(starts) <= 2:
            ranges = [path_of(day).declinations(within_deg) for day in starts]
        else:  # noons tell, but for what a day and refraction add
            margin = math.radians(1.0 + turned_deg)
            noons = paths.noon_declinations(sky, np.arange(starts.start, starts.stop))
            ranges = [(noons - margin, noons + margin)]
        low = math.degrees(min(edge[0].min(initial=np.inf) for edge in ranges))
        high = math.degrees(max(edge[1].max(initial=-np.inf) for edge in ranges))
        if low > high:
            continue
        borders = _borders_between(light, thresholds, low, high, progress)
        if borders.widest_deg <= within_deg:
            return borders
    return None


def _borders_between(
    light: Light,
    thresholds: tuple[float, ...],
    low_deg: float,
    high_deg: float,
    progress: Progress | None,
) -> Borders:
    # Where nothing is cut in declination borders hardly bend, and few rows tell them.
    first, last = math.floor(low_deg / _COARSE_DEG), math.ceil(high_deg / _COARSE_DEG)
    if not light.ghosts and light.bores.open_to(max(-first, last) * _COARSE_DEG):
        return _borders(light, thresholds, _COARSE_DEG, first, last, progress)
    first = math.floor(low_deg / _FINE_DEG) - _MARGIN
    last = math.ceil(high_deg / _FINE_DEG) + _MARGIN
    return _borders(light, thresholds, _FINE_DEG, first, last, progress)


def _borders(
    light: Light,
    thresholds: tuple[float, ...],
    row_deg: float,
    first: int,
    last: int,
    progress: Progress | None,
) -> Borders:
    """Borders over the rows first to last."""
    bands = range(first // _BAND[row_deg], last // _BAND[row_deg] + 1)
    with ThreadPoolExecutor(_THREADS) as pool:
        made = [pool.submit(_band, light, thresholds, row_deg, band) for band in bands]
        for count, each in enumerate(made):
            each.result()
            if progress is not None:
                progress("borders", (count + 1) / len(made))
    return _followed(light, thresholds, row_deg, first, last)


@lru_cache(maxsize=4)
def _followed(
    light: Light, thresholds: tuple[float, ...], row_deg: float, first: int, last: int
) -> Borders:
    bands = range(first // _BAND[row_deg], last // _BAND[row_deg] + 1)
    parts = [_band(light, thresholds, row_deg, band) for band in bands]
    columns = [np.concatenate(columns) for columns in zip(*parts, strict=True)]
    some = slice(*np.searchsorted(columns[0], (first, last + 1)))  # they begin with the row
    tolerance = _STRAYED if light.ghosts else _EXACT
    found = Marks(*(column[some] for column in columns))
    return chains.follow(found, row_deg, first, last + 1 - first, tolerance)


@lru_cache(maxsize=256)
def _band(
    light: Light, thresholds: tuple[float, ...], row_deg: float, band: int
) -> tuple[NDArray[np.generic], ...]:
    """The columns of the marks of one band of rows."""
    levels = " ".join(f"{level:.12g}" for level in thresholds)
    name = f"borders-{light.dial.hash}-{light.name}-{zlib.crc32(levels.encode()):08x}-{band:+d}"
    key = {"dial": light.dial.hash, "levels": levels, "rows": str(row_deg), **light.key}
    columns = kept.load(name, {**key, "format": _FORMAT})
    if columns is None:
        size = _BAND[row_deg]
        found = marks(light, thresholds, row_deg, band * size, size, _NEAR[row_deg])
        columns = {
            column: getattr(found, column).astype(kind) for column, kind in MARK_KINDS.items()
        }
        kept.save(name, {**key, "format": _FORMAT}, columns)
    return tuple(columns[name] for name in MARK_KINDS)


def lit_fractions(dial: Dial, sun: SunPlace, pose_deg: Pose = NOMINAL) -> Floats:
    """Lit fraction 0..1 of every channel, shape (n, channels); 0 while the Sun is down.

    pose_deg turns the body by a rotation vector about P's axes (dialcore.frames).
    """
    wx, wy, wz = np.radians(pose_deg)
    turned = frames.apply(frames.transpose(frames.rotation(wx, wy, wz, np)), sun.polar)
    hour_angle, declination = frames.place(turned, dial.site.hemisphere, np)
    size = np.radians(sun.semidiameter_deg)
    count = len(dial.channels)
    place = Place(*(np.repeat(of, count) for of in (hour_angle, declination, size)))
    channel = np.tile(np.arange(count), len(sun.up))
    lit = light_of(dial).at(place, channel).reshape(-1, count)
    return lit * sun.up[:, None]


def plan_step(dial: Dial, hour_angle_deg: Floats) -> Ints:
    """Index of the plan's step at hour angles of shape (n,); -1 outside the plan.

    The hour angle is that of the refracted Sun in P (SunPlace.hour_angle_deg). A step
    holds its own beginning, not its end.
    """
    edges_deg = plan_edges_deg(dial.site, dial.plan)
    step = np.searchsorted(edges_deg, hour_angle_deg, side="right") - 1
    return np.where(step < len(dial.plan.steps), step, -1)


def duty(dial: Dial, sky: Sky, start_us: int, end_us: int) -> float:
    """Share of the plan's time from start_us to end_us with exactly the right channels lit.

    The plan's time is while the Sun is up and a step of the plan runs; right is when each
    of the step's channels is lit to at least 0.5 and every other to less. nan when there
    is no such time. Raises SkyError.
    """
    edges_us = _edges_us(dial, sky, start_us, end_us)
    shown = spans(dial, sky, start_us, end_us, thresholds=(0.5,))
    up = sky.up_spans(start_us, end_us)
    # The plan wants a channel from one edge to the next; who is lit and not wanted, or
    # wanted and not lit, is wrong: it changes with every beginning and end of either.
    step, channel = (
        np.array(
            [(k, c) for k, step in enumerate(dial.plan.steps) for c in sorted(step.channels)],
            np.int64,
        )
        .reshape(-1, 2)
        .T
    )
    wanted_us = np.stack((edges_us[:, step], edges_us[:, step + 1]))
    when_us = np.concatenate((shown.begin_us, shown.end_us, wanted_us.ravel()))
    whose = np.concatenate((shown.channel, shown.channel, np.tile(channel, 2 * len(edges_us))))
    order = np.lexsort((when_us, whose))
    when_us, whose = when_us[order], whose[order]
    change = np.arange(len(whose)) - np.searchsorted(whose, whose)
    turn_us = np.concatenate((up.begin_us, up.end_us, edges_us[:, 0], edges_us[:, -1]))
    when_us = np.concatenate((when_us, turn_us))
    change = np.concatenate((np.where(change % 2, -1, 1), np.zeros(len(turn_us), np.int64)))
    order = np.argsort(when_us, kind="stable")
    when_us, wrong = when_us[order], np.cumsum(change[order])[:-1]
    middle_us = (when_us[:-1] + when_us[1:]) / 2
    running = _within(middle_us, up.begin_us, up.end_us)
    running &= _within(middle_us, edges_us[:, 0], edges_us[:, -1])
    length_us = np.diff(when_us) * running
    total_us = length_us.sum()
    return float(length_us[wrong == 0].sum() / total_us) if total_us else math.nan


def _edges_us(dial: Dial, sky: Sky, start_us: int, end_us: int) -> Ints:
    """UTC at which the plan's steps begin on each day, and the last one ends: (days, steps + 1)."""
    edges = np.radians(plan_edges_deg(dial.site, dial.plan))
    first, last = paths.first_day(sky, start_us), paths.first_day(sky, max(end_us - 1, start_us))
    path = paths.over(sky, first, last + 1 - first)
    day = np.repeat(np.arange(path.days), len(edges))
    x = path.at_hour_angle(day, np.tile(edges, path.days))
    return path.utc_us(day, x).reshape(path.days, -1)


def _within(when_us: Floats, begin_us: Ints, end_us: Ints) -> NDArray[np.bool_]:
    """Whether instants lie in one of some spans, sorted and apart."""
    at = np.searchsorted(begin_us, when_us, side="right") - 1
    held: NDArray[np.bool_] = (at >= 0) & (when_us < end_us[np.maximum(at, 0)])
    return held
