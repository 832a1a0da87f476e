"""What one body shows over the Sun's course, quickly: some declinations, hour angle by hour angle.

Own light is that of `dialbench.ideal`, of the body with its errors. What strays from bore to
bore is that of the body as drawn, turned with the body: errors move it too, by what is small of
the second order (a test holds the two against each other). Refraction and the equation of time
are left out: neither changes from body to body.

Most of a channel's course is settled by the dial as drawn: where its light passes one half in no
body whose errors are within the usual reach, nothing is worked out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from dialbench import ideal, lit
from dialbench.dial import Bore, Dial
from dialbench.layout import SUN_REACH_DEG, plan_edges_deg
from dialbench.sky import mean_semidiameter_deg
from dialbench.tolerance.errors import TILTED, Made
from dialcore import frames

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

LIT = 0.5
S_PER_DEG = 240.0
_RAMP_CELLS = 4.0  # between hour angles worked out, on a bore's way from dark to bright
_CELL_DEG = (0.05, 0.4)
_BESIDE_DEG, _STRAY_DEG = 0.8, 0.2  # around a declination, rows of stray light and between them
_FAR = 1024.0  # degrees: more than any two hour angles are apart
_BEGINS, _LIGHT, _WISH, _ENDS = range(4)  # kinds of events


@dataclass(frozen=True)
class Figures:
    """duty: share of the plan's time with exactly the right channels lit; wrong: with one lit
    that should be dark; late_s: mean lateness of the changes of the face against the plan, nan
    where none came."""

    duty: float
    wrong: float
    late_s: float


def declinations_deg(count: int, season_deg: tuple[float, float] | None = None) -> Floats:
    """So many declinations, evenly over the Sun's way along the ecliptic, (count,); of a season
    those within it. Each stands for the same share of the year, to 3%."""
    low, high = season_deg or (-SUN_REACH_DEG, SUN_REACH_DEG)
    steep = math.sin(math.radians(SUN_REACH_DEG))
    first, last = (
        math.asin(max(-1.0, min(1.0, math.sin(math.radians(edge)) / steep))) for edge in (low, high)
    )
    way = first + (np.arange(count) + 0.5) / count * (last - first)
    found: Floats = np.degrees(np.arcsin(steep * np.sin(way)))
    return found


@dataclass(frozen=True, eq=False)
class Course:
    """A dial's way through the days of its year, ready for many bodies.

    hours_deg (n,), declinations_deg (m,); sunset_deg (m,): the Sun is up this far from noon; stray (m, rows, n,
    channels): stray light at declinations _STRAY_DEG apart about each; open_ (m, n, channels):
    where a body within edges_deg and tilted_deg (see Made) may pass one half; settled: whether
    it is lit elsewhere. Hour angles are those that a body sees which is not tilted.
    """

    dial: Dial
    hours_deg: Floats
    declinations_deg: Floats
    semidiameters_deg: Floats
    sunset_deg: Floats
    stray: NDArray[np.float32]
    open_: Bools
    settled: Bools
    edges_deg: float
    tilted_deg: float

    @classmethod
    def of(
        cls, dial: Dial, days_deg: Floats, edges_deg: float, tilted_deg: float, margin_deg: float
    ) -> Course:
        """edges_deg, tilted_deg: what most bodies are within; those beyond take longer.
        margin_deg: how far beyond the plan the course is followed; no body is turned farther."""
        edges = plan_edges_deg(dial.site, dial.plan)
        ramps_deg = np.degrees([bore.exit_mm / bore.length_mm for bore in dial.bores] or [1.0])
        cell_deg = float(np.clip(ramps_deg.min() / _RAMP_CELLS, *_CELL_DEG))
        margin_deg = margin_deg + edges_deg + tilted_deg + 3 * cell_deg
        hours_deg = np.arange(edges[0] - margin_deg, edges[-1] + margin_deg + cell_deg, cell_deg)
        sizes_deg = np.array([float(mean_semidiameter_deg(each)) for each in days_deg])
        hour, declination = np.radians(hours_deg), np.radians(days_deg)[:, None]
        count = len(dial.channels)
        beside = np.arange(-_BESIDE_DEG, _BESIDE_DEG + _STRAY_DEG / 2, _STRAY_DEG)
        where = np.broadcast_arrays(
            hour[None, None, :, None],
            (declination + np.radians(beside))[:, :, None, None],
            np.arange(count)[None, None, None, :],
        )
        light = lit.light_of(dial)
        flat = [each.ravel() for each in where]
        stray = np.maximum(light.strayed(*flat), 0.0).astype(np.float32).reshape(where[0].shape)
        turned = np.repeat(np.tile(hour, len(days_deg)), count)
        height, size = (
            np.repeat(np.radians(of), len(hour) * count) for of in (days_deg, sizes_deg)
        )
        channel = np.tile(np.arange(count), len(hour) * len(days_deg))
        shape = (len(days_deg), len(hour), count)
        # The least and the most that any body within reach lights: all bores narrowed, all widened.
        least, most = (
            ideal.Bores(_moved(dial, sign * edges_deg, sign * (edges_deg + tilted_deg / TILTED)))
            .lit(turned, height, size, channel)
            .reshape(shape)
            for sign in (-1, 1)
        )
        around = math.ceil(tilted_deg / cell_deg)
        least, most = -_most(-least, around), _most(most + stray.max(axis=1), around)
        open_ = (least < LIT) & (most >= LIT)
        return cls(
            dial,
            hours_deg,
            days_deg,
            sizes_deg,
            _sunsets_deg(dial.site.latitude_deg, days_deg),
            stray,
            _most(open_, 1),
            least >= LIT,
            edges_deg,
            tilted_deg,
        )

    def figures(self, made: Made) -> Figures:
        """What a body shows; whatever its errors, the same from any process."""
        usual = made.edges_deg <= self.edges_deg and made.tilted_deg <= self.tilted_deg
        open_ = self.open_ if usual else np.ones_like(self.open_)
        off = np.where(self.settled, LIT, -LIT)  # light less LIT: elsewhere only its sign counts
        row, hour, channel = np.nonzero(open_)
        off[row, hour, channel] = self._light(made, row, hour, channel) - LIT
        return self._judged(off, self._hours_deg(made), made.east_deg)

    def _hours_deg(self, made: Made) -> Floats:
        """Where the Sun truly stands at the course's hour angles: a turned body sees it elsewhere."""
        return self.hours_deg - self._pole * made.pose_deg[2]

    def _light(self, made: Made, row: Ints, hour: Ints, channel: Ints) -> Floats:
        """Light of channels at places of the course, all of shape (n,)."""
        way = frames.direction(
            np.radians(self._hours_deg(made)),
            np.radians(self.declinations_deg)[:, None],
            self._pole,
            np,
        )
        wx, wy, wz = np.radians(made.pose_deg).tolist()
        back = frames.transpose(frames.rotation(wx, wy, wz, np))
        seen = frames.place(frames.apply(back, way), self._pole, np)
        turned, height = (each[row, hour] for each in seen)
        sizes = np.radians(self.semidiameters_deg)[row]
        own = ideal.Bores(made.dial).lit(turned, height, sizes, channel)
        rows, hours = self.stray.shape[1:3]
        x = (np.degrees(turned) - self.hours_deg[0]) / (self.hours_deg[1] - self.hours_deg[0])
        y = (np.degrees(height) - self.declinations_deg[row] + _BESIDE_DEG) / _STRAY_DEG
        x, y = np.clip(x, 0, hours - 1.001), np.clip(y, 0, rows - 1.001)
        column, line = x.astype(np.int64), y.astype(np.int64)
        x, y = x - column, y - line
        strayed = np.zeros(len(row))
        for j, along in ((0, 1 - y), (1, y)):
            for i, across in ((0, 1 - x), (1, x)):
                strayed += along * across * self.stray[row, line + j, column + i, channel]
        return np.minimum(own + strayed, 1.0)

    @property
    def _pole(self) -> int:
        return self.dial.site.hemisphere

    def _judged(self, off: Floats, hours_deg: Floats, east_deg: float) -> Figures:
        """From light less LIT, (m, n, channels), to the figures; between hour angles it is straight."""
        edges = plan_edges_deg(self.dial.site, self.dial.plan)
        if self.dial.plan.kind == "zone":
            edges = edges + east_deg
        off = np.ascontiguousarray(off.transpose(0, 2, 1)).reshape(-1, len(hours_deg))
        bright = off >= 0
        # A group is one channel on one day; its events: it begins, light and wishes change, it ends.
        lit_group, k = np.nonzero(bright[:, 1:] != bright[:, :-1])
        before, after = off[lit_group, k], off[lit_group, k + 1]
        cell_deg = hours_deg[1] - hours_deg[0]
        lit_deg = hours_deg[k] + cell_deg * before / (before - after)
        wants = wanted(self.dial)
        turn, whose = np.nonzero(wants[1:] != wants[:-1])
        groups, days = len(off), len(self.declinations_deg)
        each = np.arange(days)[:, None] * len(self.dial.channels)
        due_group, due_deg = (each + whose).ravel(), np.tile(edges[turn], days)
        due_rises = np.tile(wants[turn + 1, whose], days)
        late_s = _late_s(
            (2 * lit_group + (before < 0)) * _FAR + lit_deg,
            (2 * due_group + due_rises) * _FAR + due_deg,
            float(np.diff(edges).min()) / 2,
        )
        every = np.arange(groups)
        group = np.concatenate((every, lit_group, due_group, every))
        ends = (np.full(groups, end) for end in (-_FAR / 2, _FAR / 2))
        hour_deg = np.concatenate((next(ends), lit_deg, due_deg, next(ends)))
        kind = np.repeat(np.arange(4), (groups, len(lit_group), len(due_group), groups))
        order = np.lexsort((hour_deg, group))
        group, hour_deg, kind = group[order], hour_deg[order], kind[order]
        lights = np.where(kind == _BEGINS, bright[group, 0], kind == _LIGHT)
        lit, due = (_toggled(each, kind) for each in (lights, kind == _WISH))
        # Over all channels of all days: how many are wrong, and how many lit for nothing.
        cuts = self._cuts(edges)
        when = np.concatenate((group // len(self.dial.channels) * _FAR + hour_deg, cuts))
        at = np.argsort(when, kind="stable")
        when = when[at]
        middle = (when[1:] + when[:-1]) / 2
        day = np.clip(np.rint(middle / _FAR).astype(np.int64), 0, days - 1)
        hour = middle - day * _FAR
        running = (hour > edges[0]) & (hour < edges[-1]) & (np.abs(hour) < self.sunset_deg[day])
        length = np.diff(when) * running
        total = float(length.sum())
        if total == 0:
            return Figures(math.nan, math.nan, late_s)
        none = np.zeros(len(cuts), np.int64)
        wrong_s, stray_s = (
            float(length[np.cumsum(np.append(_changes(of), none)[at])[:-1] > 0].sum())
            for of in (lit != due, lit & ~due)
        )
        return Figures(1.0 - wrong_s / total, stray_s / total, late_s)

    def _cuts(self, edges: Floats) -> Floats:
        """Where each day's plan begins and ends, and where the Sun rises and sets."""
        days = np.arange(len(self.sunset_deg)) * _FAR
        ends = (edges[0], edges[-1], -self.sunset_deg, self.sunset_deg)
        return np.concatenate([days + end for end in ends])


def wanted(dial: Dial) -> Bools:
    """Which channels the plan wants lit before, in and after its steps: (steps + 2, channels)."""
    none: frozenset[int] = frozenset()
    steps = [none, *(step.channels for step in dial.plan.steps), none]
    return np.array(
        [[k in lights for k in range(len(dial.channels))] for lights in steps], np.bool_
    )


def _late_s(light: Floats, due: Floats, near_deg: float) -> float:
    """Mean lateness of changes of light against those due next to them, both as keys whose
    distance is degrees between changes of one kind, and far more between others."""
    light = np.sort(light)
    if not len(light) or not len(due):
        return math.nan
    after = np.clip(np.searchsorted(light, due), 0, len(light) - 1)
    off = np.stack((light[np.maximum(after - 1, 0)] - due, light[after] - due))
    off = np.take_along_axis(off, np.abs(off).argmin(axis=0)[None], 0)[0]
    off = off[np.abs(off) < near_deg]
    return float(off.mean()) * S_PER_DEG if len(off) else math.nan


def _toggled(toggles: Bools, kind: Ints) -> Bools:
    """What each group is in after each of its events, dark before it begins and once it ends."""
    many = np.cumsum(toggles)
    first = np.maximum.accumulate(np.where(kind == _BEGINS, np.arange(len(kind)), 0))
    odd: Bools = ((many - many[first] + toggles[first]) % 2 == 1) & (kind != _ENDS)
    return odd


def _changes(state: Bools) -> Ints:
    """By how much a state's count changes with each event; groups begin and end without it."""
    counts = np.append(0, state.astype(np.int64))
    changes: Ints = counts[1:] - counts[:-1]
    return changes


_Values = TypeVar("_Values", Floats, Bools)


def _most(values: _Values, reach: int) -> _Values:
    """The greatest value within so many hour angles on either side; axis 1 of (m, n, channels)."""
    out = values.copy()
    for by in range(1, min(reach, values.shape[1] - 1) + 1):
        np.maximum(out[:, by:], values[:, :-by], out=out[:, by:])
        np.maximum(out[:, :-by], values[:, by:], out=out[:, :-by])
    return out


def _sunsets_deg(latitude_deg: float, declinations_deg: Floats) -> Floats:
    """Hour angle of sunset on a plane without air; 0 where the Sun never rises, 180 never sets."""
    level = -np.tan(np.radians(latitude_deg)) * np.tan(np.radians(declinations_deg))
    found: Floats = np.degrees(np.arccos(np.clip(level, -1.0, 1.0)))
    return found


def _moved(dial: Dial, across_deg: float, along_deg: float) -> Dial:
    """The dial with all bores' edges moved outwards by angles, or inwards."""
    slope = math.tan(math.radians(across_deg))

    def moved(bore: Bore) -> Bore:
        return replace(
            bore,
            entry_mm=max(bore.entry_mm + 2 * bore.length_mm * slope, 1e-3),
            opening_deg=max(min(bore.opening_deg + 2 * along_deg, 170.0), 0.1),
        )

    return replace(dial, bores=tuple(map(moved, dial.bores)))
