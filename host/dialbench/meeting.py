"""Where the Sun's path meets borders: every crossing of some days of one body.

Along smooth borders a step or two of Newton's method end at the microsecond. Where a
border is rough, the crossing is sought on the lit fraction itself, and in windows nothing
is taken for known: there the path is searched closely, peaks and dips first.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dialbench import roots
from dialbench.chains import Borders
from dialbench.lit import Light
from dialbench.path import Path, cubic, slope

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

_BLOCK = 1 << 14  # pairs of a day and a border worked on together: stays in the cache
_KNOTS = 4  # days of a path on which borders are met without knowing where on others
_STEPS = 8  # of Newton's method at most
_SURE = 1e-3  # pieces of the path: a last step so short leaves microseconds
_LOOK = 0.2  # pieces of the path (3 arcmin) between looks in a window
_SHALLOW = 0.02  # a peak or dip so near a threshold is looked at closely
_CLOSELY = 20  # looks either side of it
_TOLERANCE = 1e-7  # pieces of the path: 6 us
_ASIDE = (0.004, 0.04, 0.4)  # pieces to either side, to find a rough crossing again


@dataclass(frozen=True)
class Meetings:
    """Crossings; arrays of one length. day counts from the path's first, x along it."""

    day: Ints
    channel: Ints
    threshold: Ints
    rise: Bools
    x: Floats

    def only(self, which: Bools | Ints | slice) -> Meetings:
        return Meetings(
            self.day[which],
            self.channel[which],
            self.threshold[which],
            self.rise[which],
            self.x[which],
        )


_NO = np.zeros(0, np.int64)
_NONE = Meetings(_NO, _NO, _NO, np.zeros(0, np.bool_), np.zeros(0))


def _joined(parts: list[Meetings]) -> Meetings:
    return Meetings(
        *(
            np.concatenate([getattr(part, name) for part in parts])
            for name in ("day", "channel", "threshold", "rise", "x")
        )
    )


def meetings(light: Light, thresholds: tuple[float, ...], borders: Borders, path: Path) -> Meetings:
    """All crossings along a path, sorted by day, channel, threshold and x.

    They come in pairs that rise and fall. The Sun's being down is not looked at.
    """
    search = _Search(light, np.array(thresholds), path)
    met, rough = _along_borders(borders, path)
    met, lost = search.again(met, rough)
    day, window, low, high = _windows_met(borders, path)
    if len(day):
        met = met.only(~_in_windows(met, borders, path, day, window, low, high))
        found = search.between(
            day, borders.windows.channel[window], borders.windows.threshold[window], low, high
        )
        met = _joined([met, found])
    met = search.sorted(met)
    odd = np.union1d(lost, search.not_alternating(met))
    if len(odd):
        met = _joined([met.only(~np.isin(search.code(met), odd)), search.whole(odd)])
        met = search.sorted(met)
    return met


def _rows(borders: Borders, declination: Floats) -> Floats:
    """Where declinations lie among the borders' rows."""
    rows: Floats = declination / np.radians(borders.row_deg) - borders.first
    return rows


def _along_borders(borders: Borders, path: Path) -> tuple[Meetings, Bools]:
    """Where the path meets borders, and which of these are rough."""
    low, high = (_rows(borders, edge) for edge in path.declinations())
    # A border on one row alone leads nowhere: there is a window on either side.
    begin, end = borders.begin, np.where(borders.end > borders.begin, borders.end, -np.inf)
    meet = (low[:, None] <= end) & (high[:, None] >= begin)
    # From day to day a crossing moves smoothly: some days tell where to begin on the others.
    some = np.unique(np.linspace(0, path.days - 1, _KNOTS).round().astype(np.int64))
    known = np.full((len(some), len(begin)), np.nan)
    parts = [_on_days(borders, path, meet, some, None, known)]
    rest = np.setdiff1d(np.arange(path.days), some)
    starts = _through(some, rest) @ known
    parts.append(_on_days(borders, path, meet, rest, starts, None))
    return _by_day([met for met, _ in parts], [rough for _, rough in parts], path.days)


def _by_day(mets: list[Meetings], roughs: list[Bools], days: int) -> tuple[Meetings, Bools]:
    """Parts that are sorted by day each, with none in common, put together."""
    pieces = []
    for part, (met, rough) in enumerate(zip(mets, roughs, strict=True)):
        edges = np.searchsorted(met.day, np.arange(days + 1))
        for day in np.flatnonzero(edges[1:] > edges[:-1]).tolist():
            some = slice(edges[day], edges[day + 1])
            pieces.append((day, part, met.only(some), rough[some]))
    pieces.sort(key=lambda piece: piece[:2])
    return _joined([_NONE, *(piece[2] for piece in pieces)]), np.concatenate(
        [np.zeros(0, np.bool_), *(piece[3] for piece in pieces)]
    )


def _through(nodes: Ints, at: Ints) -> Floats:
    """Weights (at, nodes) of values at nodes in the polynomial through them."""
    weights = np.ones((len(at), len(nodes)))
    for i, node in enumerate(nodes):
        for other in np.delete(nodes, i):
            weights[:, i] *= (at - other) / (node - other)
    return weights


def _on_days(
    borders: Borders,
    path: Path,
    meet: Bools,
    days: Ints,
    starts: Floats | None,
    known: Floats | None,
) -> tuple[Meetings, Bools]:
    """Meetings on some days, from starts (days, borders) on where there are any; known is
    filled with where they are."""
    low, high = (_rows(borders, edge) for edge in path.declinations())
    middle = (low + high) / 2
    middle = np.where(np.isfinite(middle), middle, 0.0)
    flat = np.flatnonzero(meet[days])
    smooth = not borders.rough.any()
    parts, roughs = [_NONE], [np.zeros(0, np.bool_)]
    for at in range(0, len(flat), _BLOCK):
        pair = flat[at : at + _BLOCK]
        which, border = np.divmod(pair, len(borders.begin))
        day = days.take(which)
        begin, end = borders.begin.take(border), borders.end.take(border)
        if starts is not None:
            x = starts.take(pair)
            blind = np.flatnonzero(np.isnan(x))
        else:
            x, blind = np.empty(len(day)), np.arange(len(day))
        if len(blind):
            b = border[blind]
            x[blind] = path.about(_due(borders, b, middle[day[blind]])[0])
        x = np.clip(x, -1, path.cells + 1)
        x, row = _newton(borders, path, day, border, x)
        if known is not None:
            known.put(pair, x)
        inside = (row >= begin) & (row < end) & (x >= 0) & (x < path.cells)
        if not inside.all():
            day, border, x, row = day[inside], border[inside], x[inside], row[inside]
        parts.append(
            Meetings(
                day,
                borders.channel.take(border),
                borders.threshold.take(border),
                borders.rise.take(border),
                x,
            )
        )
        if smooth:
            roughs.append(np.zeros(len(border), np.bool_))
        else:
            roughs.append(borders.rough.take(border * borders.rows + row.astype(np.int64)))
    return _joined(parts), np.concatenate(roughs)


def _due(borders: Borders, border: Ints, row: Floats) -> tuple[Floats, Ints]:
    """Hour angles of borders at places among the rows; and the cells these are of."""
    cell = row.astype(np.int64)
    np.maximum(cell, borders.begin.take(border), out=cell)
    np.minimum(cell, borders.end.take(border) - 1, out=cell)
    into = row - cell
    np.maximum(into, -1, out=into)
    np.minimum(into, 2, out=into)
    cell += border * borders.rows
    return cubic(borders.curve.take(cell, axis=0), into), cell


def _newton(
    borders: Borders, path: Path, day: Ints, border: Ints, x: Floats
) -> tuple[Floats, Floats]:
    """Where on its day each border is met, from x on, and where among the rows that is.

    x is nan where it is not.
    """
    row = np.empty_like(x)
    live = np.arange(len(x))
    d, b, at = day, border, x
    for _ in range(_STEPS):
        piece, u = path.pieces(d, at)
        turn = path.turn.take(piece, axis=0)
        y = _rows(borders, cubic(path.fall.take(piece, axis=0), u))
        due, cell = _due(borders, b, y)
        larger = path.disc.take(piece, axis=0)
        due += borders.by_size.take(cell) * (larger[:, 2] + u * larger[:, 3])
        due -= path.true_hour_angle(at)
        due -= cubic(turn, u)
        due /= path.STEP + slope(turn, u)
        at = at + due
        np.maximum(at, -1, out=at)
        np.minimum(at, path.cells + 1, out=at)
        if len(live) == len(x):
            x, row = at.copy(), y
        else:
            x[live], row[live] = at, y
        far = np.flatnonzero(np.abs(due) > _SURE)
        if not len(far):
            return x, row
        live = live[far]
        d, b, at = d[far], b[far], at[far]
    x[live] = np.nan
    return x, row


def _windows_met(borders: Borders, path: Path) -> tuple[Ints, Ints, Floats, Floats]:
    """(day, window, low, high): windows whose row a day comes to, from x = low to high."""
    windows = borders.windows
    first, last = (np.floor(_rows(borders, edge)) for edge in path.declinations())
    day, window = np.nonzero((first[:, None] <= windows.row) & (last[:, None] >= windows.row))
    low = path.at_hour_angle(day, windows.low[window])
    high = path.at_hour_angle(day, windows.high[window])
    # The path is in the window's row for a part of the day only.
    near = _rows(borders, path.place(day, low).declination)
    far = _rows(borders, path.place(day, high).declination)
    row = windows.row[window]
    keep = (np.maximum(near, far) >= row - 0.1) & (np.minimum(near, far) < row + 1.1)
    return day[keep], window[keep], low[keep], high[keep]


def _in_windows(
    met: Meetings,
    borders: Borders,
    path: Path,
    day: Ints,
    window: Ints,
    low: Floats,
    high: Floats,
) -> Bools:
    """Which meetings lie in a window of their own channel, threshold and row."""
    w = borders.windows
    row = np.floor(_rows(borders, path.place(met.day, met.x).declination)).astype(np.int64)

    def key(day: Ints, channel: Ints, threshold: Ints, row: Ints) -> Ints:
        number: Ints = (channel * 1000 + threshold) * path.days + day
        return number * (borders.rows + 2) + row + 1

    number = key(day, w.channel[window], w.threshold[window], w.row[window])
    far = 4.0 * path.cells
    order = np.argsort(number * far + low)
    starts = (number * far + low)[order]
    mine = key(met.day, met.channel, met.threshold, row) * far + met.x
    at = np.searchsorted(starts, mine, "right") - 1
    held: Bools = (at >= 0) & (mine <= (number * far + high)[order][at])
    return held


class _Search:
    """Looks for crossings on the lit fraction itself."""

    def __init__(self, light: Light, levels: Floats, path: Path) -> None:
        self.light, self.levels, self.path = light, levels, path

    def over(self, day: Ints, channel: Ints, threshold: Ints, x: Floats) -> Floats:
        """Lit fraction less threshold."""
        lit: Floats = self.light.at(self.path.place(day, x), channel) - self.levels[threshold]
        return lit

    def code(self, met: Meetings) -> Ints:
        """A number for each day, channel and threshold."""
        number: Ints = met.day * self.light.bores.channels + met.channel
        return number * len(self.levels) + met.threshold

    def again(self, met: Meetings, rough: Bools) -> tuple[Meetings, Ints]:
        """The meetings, rough ones found exactly; and the codes of any not found again."""
        which = np.flatnonzero(rough)
        if not len(which):
            return met, which
        x, sign = met.x.copy(), np.where(met.rise, 1.0, -1.0)
        lost = which
        for aside in _ASIDE:
            part = met.only(lost)
            edges = np.stack((part.x - aside, part.x + aside))
            ends = np.stack(
                [self.over(part.day, part.channel, part.threshold, edge) for edge in edges]
            )
            held = (ends[0] * sign[lost] < 0) & (ends[1] * sign[lost] >= 0)
            hold = part.only(held)
            x[lost[held]] = self.roots(
                hold.day, hold.channel, hold.threshold, edges[:, held], ends[:, held]
            )
            lost = lost[~held]
        keep = np.ones(len(x), np.bool_)
        keep[lost] = False
        found = Meetings(met.day, met.channel, met.threshold, met.rise, x)
        return found.only(keep), np.unique(self.code(met.only(lost)))

    def roots(
        self, day: Ints, channel: Ints, threshold: Ints, edges: Floats, ends: Floats
    ) -> Floats:
        return roots.between(
            lambda x, which: self.over(day[which], channel[which], threshold[which], x),
            edges,
            ends,
            _TOLERANCE,
        )

    def between(
        self, day: Ints, channel: Ints, threshold: Ints, low: Floats, high: Floats
    ) -> Meetings:
        """All crossings of these days, channels and thresholds from x = low to high each."""
        count = np.ceil((high - low) / _LOOK).astype(np.int64) + 1
        which = np.repeat(np.arange(len(day)), count)
        step = np.arange(len(which)) - np.repeat(np.cumsum(count) - count, count)
        x = low[which] + step * ((high - low) / np.maximum(count - 1, 1))[which]
        value = self.over(day[which], channel[which], threshold[which], x)
        together = which[1:] == which[:-1]
        above = value >= 0
        at = np.flatnonzero(together & (above[1:] != above[:-1]))
        turn, top, over = self._turns(day, channel, threshold, which, x, value, together)
        edges = np.concatenate(
            (
                np.stack((x[at], x[at + 1])),
                np.stack((x[turn - 1], top)),
                np.stack((top, x[turn + 1])),
            ),
            axis=1,
        )
        ends = np.concatenate(
            (
                np.stack((value[at], value[at + 1])),
                np.stack((value[turn - 1], over)),
                np.stack((over, value[turn + 1])),
            ),
            axis=1,
        )
        own = which[np.concatenate((at, turn, turn))]
        found = self.roots(day[own], channel[own], threshold[own], edges, ends)
        return Meetings(day[own], channel[own], threshold[own], ends[1] >= 0, found)

    def _turns(
        self,
        day: Ints,
        channel: Ints,
        threshold: Ints,
        which: Ints,
        x: Floats,
        value: Floats,
        together: Bools,
    ) -> tuple[Ints, Floats, Floats]:
        """Looks at which a peak or dip passes the threshold between this look and the next:
        (look, x of the turn, value there)."""
        inner = np.flatnonzero(together[1:] & together[:-1]) + 1
        side = np.where(value < 0, 1.0, -1.0)
        before, here, after = (side[inner] * value[inner + k] for k in (-1, 0, 1))
        bend = before - 2 * here + after
        top = here - (before - after) ** 2 / (8 * np.where(bend == 0, -np.inf, bend))
        shallow = (here >= before) & (here >= after) & (bend < 0) & (top > -_SHALLOW)
        turn = inner[shallow & (before < 0) & (after < 0)]
        if not len(turn):
            return turn, np.zeros(0), np.zeros(0)
        own = which[turn]
        steps = np.linspace(-1, 1, 2 * _CLOSELY + 1)
        width = x[turn + 1] - x[turn]
        near = x[turn][:, None] + width[:, None] * steps
        many = np.repeat(own, len(steps))
        close = self.over(day[many], channel[many], threshold[many], near.ravel())
        close = close.reshape(near.shape) * side[turn][:, None]
        best = np.clip(close.argmax(axis=1), 1, 2 * _CLOSELY - 1)
        row = np.arange(len(turn))
        a, b, c = (close[row, best + k] for k in (-1, 0, 1))
        bend = np.minimum(a - 2 * b + c, -1e-12)
        vertex = near[row, best] - width / _CLOSELY * np.clip((c - a) / (2 * bend), -1, 1)
        peak = self.over(day[own], channel[own], threshold[own], vertex) * side[turn]
        place = np.where(peak > b, vertex, near[row, best])
        peak = np.maximum(peak, b)
        passed = peak > 0
        return turn[passed], place[passed], (peak * side[turn])[passed]

    def sorted(self, met: Meetings) -> Meetings:
        """The meetings by day, channel, threshold and x."""
        key = self.code(met) * (4.0 * self.path.cells)
        key += met.x
        return met if (key[1:] >= key[:-1]).all() else met.only(np.argsort(key))

    def not_alternating(self, met: Meetings) -> Ints:
        """Codes of which the crossings, sorted, do not go rise, fall, rise ... fall."""
        code, rise = self.code(met), met.rise
        first = np.append(True, code[1:] != code[:-1])
        last = np.append(first[1:], True)
        due = np.append(True, ~rise[:-1]) | first
        wrong = (rise != due) | (last & rise)
        return np.unique(code[wrong]) if len(code) else code

    def whole(self, code: Ints) -> Meetings:
        """The crossings of whole days."""
        rest, threshold = np.divmod(code, len(self.levels))
        day, channel = np.divmod(rest, self.light.bores.channels)
        none = np.zeros(len(code))
        return self.between(day, channel, threshold, none, none + self.path.cells)
