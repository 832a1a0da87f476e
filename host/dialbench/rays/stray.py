"""What strays into every exit through other channels' bores, as a field over the sky.

The field belongs to the body: it is laid over hour angle and declination as the body sees
them, and the same on every day. Directions are covered once, evenly, by ranks of rays: one
rank for each *cell* of CELL_DEG across and each channel. A value of the field is the mean
of the cells behind the Sun's disc, weighed as the disc is bright there. Each rests on a
thousand rays and more, and no ray is traced twice.

Most of the sky is settled without a ray: boxes of directions, narrowed down in a few
steps, show where nothing can stray (`dialbench.rays.boxes`).
"""

from __future__ import annotations

from collections import OrderedDict
from functools import cached_property
from itertools import pairwise
from threading import Lock

import numpy as np
from numpy.typing import NDArray

from dialbench.dial import Dial
from dialbench.rays.boxes import Boxes, Walls, Windows, narrowed
from dialbench.rays.pairs import Bools, Pairs, Singles
from dialbench.rays.ranks import Ranks, strayed
from dialbench.rays.voids import NO_CHANNEL, A, Floats, Ints, U, V, Voids
from dialbench.sky import mean_semidiameter_deg

FORMAT = "3"  # changes with every change of what comes out here
STEP_DEG = 0.1  # between the field's nodes, in hour angle and in declination
LIMIT_DEG = 38.0  # of rows

_LIMB = 0.6  # I(mu) = 1 - 0.6 (1 - mu): visible light, coefficient from memory
_CELLS = 2  # to a step
CELL_DEG = STEP_DEG / _CELLS
_CELL = np.radians(CELL_DEG)
_RAYS = (16, 64)  # of a rank: as many as there is time for
_EFFORT = 2048  # rays times bores
_BLOCK = 32  # rows of cells worked on together
_KEPT = 3  # blocks
_WIDTHS = (64, 16, 4, 1)  # of boxes, in cells, one level after the other
_HALVED = 2  # the level that looks at the halves of an exit by themselves
_SKY, _BANDS = 768, (256, 64)  # rows of cells to either side of the equator, and parts
_BATCH = (16, 512)  # pairs whose rays are followed together: not fewer; fewer with more rays
_REACH, _BESIDES = 7, 16  # cells from a node to the Sun's edge at the most, and more
# From cell to cell, ranks and their rays move on by these, whose multiples fill in evenly.
_BESIDE, _ACROSS = 0.7548776662466927, 0.8191725133961645


class Stray:
    """The field of one dial as drawn. Rows may be asked for in any order and from any thread.

    hours_deg: hour angles of the nodes, multiples of STEP_DEG; beyond them nothing strays,
    nor at the two outermost on either side. Empty where nothing ever does.
    """

    def __init__(self, dial: Dial, first: float = 0.0) -> None:
        self._hemisphere = dial.site.hemisphere
        self._voids = Voids.of(dial, 0.0, 1.0)
        self._walls = Walls.of(self._voids, dial.body)
        self._exits = np.array([(0.0, c.y_mm, c.z_mm) for c in dial.channels]).reshape(-1, 3)
        self._half = np.zeros(len(self._exits))
        real = slice(len(dial.bores))
        np.maximum.at(self._half, self._voids.channel[real], self._voids.half[real])
        self._first = first
        few, many = _RAYS
        self._rays = min(max(few, _EFFORT // max(1, len(dial.bores)) // 2 * 2), many)
        self._lock = Lock()
        self._blocks: OrderedDict[int, Singles] = OrderedDict()

    @cached_property
    def hours_deg(self) -> Floats:
        return self._nodes().astype(np.float64) * STEP_DEG

    def rows(self, first: int, count: int) -> NDArray[np.float32]:
        """Shares 0..1 of the exits, shape (count, nodes, channels).

        Row k is for the Sun's disc about declination (first + k) * STEP_DEG, a node for its
        hour angle. Values do not depend on which rows are asked for together. Raises
        ValueError for rows beyond LIMIT_DEG.
        """
        if max(-first, first + count - 1) * STEP_DEG > LIMIT_DEG:
            raise ValueError(f"rows {first} to {first + count - 1}: not within {LIMIT_DEG} deg")
        out = np.zeros((count, len(self.hours_deg), len(self._exits)), np.float32)
        if out.size:
            for k in range(count):
                self._weigh(first + k, out[k])
        return out

    def line(self, row: int, first_deg: float, last_deg: float) -> tuple[Floats, Singles]:
        """A field of points instead of discs, for a quick look: a piece of one row of cells.

        Row k holds directions at declination k * CELL_DEG. Returns hour angles in degrees,
        (n,), from first_deg or before to last_deg or after, and the shares of the exits that
        stray light reaches, (n, channels). Nothing is kept.
        """
        wide = _WIDTHS[0] * CELL_DEG
        areas = np.arange(int(np.floor(first_deg / wide)), int(np.ceil(last_deg / wide)))
        begin = int(areas[0]) * _WIDTHS[0]
        cells = self._shares(row, 1, areas, begin, len(areas) * _WIDTHS[0])[0]
        return (begin + np.arange(len(cells), dtype=np.float64)) * CELL_DEG, cells

    def _nodes(self) -> Ints:
        if not len(self._areas):
            return np.zeros(0, np.int64)
        edge = 0.28 / np.cos(np.radians(LIMIT_DEG + 1))
        first = self._areas[0] * _WIDTHS[0] * CELL_DEG - edge
        last = (self._areas[-1] + 1) * _WIDTHS[0] * CELL_DEG + edge
        return np.arange(np.floor(first / STEP_DEG) - 2, np.ceil(last / STEP_DEG) + 3).astype(int)

    def _weigh(self, row: int, out: Singles) -> None:
        """Add up the cells behind the Sun's disc, for every node of a row."""
        weights = disc_weights(row)
        reach = weights.shape[1] // 2
        for j, along in enumerate(weights):
            cells = self._line(row * _CELLS + j - len(weights) // 2)
            for i, weight in enumerate(along):
                if weight > 0:
                    begin = _BESIDES + i - reach
                    out += (
                        np.float32(weight)
                        * cells[begin : begin + (len(out) - 1) * _CELLS + 1 : _CELLS]
                    )

    @property
    def _first_cell(self) -> int:
        """Where a block's lines begin: so far out that every node's disc is on them."""
        return round(float(self.hours_deg[0]) / STEP_DEG) * _CELLS - _BESIDES

    def _line(self, row: int) -> Singles:
        """The cells (hour angles, channels) of one row of them."""
        number, line = divmod(row, _BLOCK)
        with self._lock:
            block = self._blocks.pop(number, None)
            if block is None:
                block = self._traced(number * _BLOCK, _BLOCK)
            self._blocks[number] = block
            while len(self._blocks) > _KEPT:
                self._blocks.popitem(last=False)
            cells: Singles = block[line]
            return cells

    def _traced(self, first: int, count: int) -> Singles:
        """All cells of some rows: shares of the exits, (rows, hour angles, channels)."""
        width = (len(self.hours_deg) - 1) * _CELLS + 2 * _BESIDES + 1
        return self._shares(first, count, self._areas, self._first_cell, width)

    def _shares(self, first: int, count: int, areas: Ints, first_cell: int, width: int) -> Singles:
        """The same of some areas, in rows of so many cells from one on."""
        cells = np.zeros((count, width, len(self._exits)), np.float32)
        rows = first + np.arange(count)

        for area in areas.tolist():
            found = self._pairs(area, first, count, _WIDTHS)
            begin = area * _WIDTHS[0] - first_cell
            self._trace(area, rows, *found, cells[:, begin : begin + _WIDTHS[0]])
        return cells

    @cached_property
    def _areas(self) -> Ints:
        """Areas of hour angle outside which nothing can stray at any declination."""
        edge = round(90 / (_WIDTHS[0] * CELL_DEG)) + 1
        areas = np.arange(-edge, edge)
        open_ones = (k for k in areas if self._open(int(k), -_SKY, 2 * _SKY, _BANDS))
        first = next(open_ones, None) if len(self._voids.half) else None
        if first is None:
            return areas[:0]
        last = next(k for k in areas[::-1] if self._open(int(k), -_SKY, 2 * _SKY, _BANDS))
        return np.arange(first, last + 1)

    def _open(self, area: int, first: int, rows: int, bands: tuple[int, ...]) -> bool:
        """Whether boxes leave anything open in an area's rows, looked at in lower and lower bands."""
        return not bands or any(
            len(self._pairs(area, begin, bands[0], _WIDTHS[:3])[0].box)
            and self._open(area, begin, bands[0], bands[1:])
            for begin in range(first, first + rows, bands[0])
        )

    def _pairs(
        self, area: int, first_row: int, rows: int, widths: tuple[int, ...]
    ) -> tuple[Pairs, Windows]:
        """Pairs of a box of the last width and a window in which light may stray."""
        cells = area * _WIDTHS[0] + np.arange(_WIDTHS[0])
        declination = (first_row + (rows - 1) / 2) * _CELL
        high = rows / 2 * _CELL
        middles = Boxes.about(cells * _CELL, declination, (0.0, high), self._hemisphere)
        windows, used = self._windows(middles.middle)
        pairs = Pairs.all(len(windows.channel), len(self._voids.half))
        starts = windows.before(self._walls)
        for level, (wider, width) in enumerate(pairwise((_WIDTHS[0], *widths))):
            if level == _HALVED:
                alive, place = np.unique(pairs.window, return_inverse=True)
                windows, used = windows.at(alive).halves(), np.tile(used[:, alive], 2)
                which = np.tile(np.arange(len(pairs.box)), 2)
                window = np.concatenate((place, place + len(alive)))
                pairs = pairs.at(which, window=window)
                starts = windows.before(self._walls)
            parts = wider // width
            box = (pairs.box[:, None] * parts + np.arange(parts)).ravel()
            which = np.repeat(np.arange(len(pairs.box)), parts)
            faced: Bools = np.any(used.reshape(-1, width, used.shape[1]), axis=1)
            real = faced[box, pairs.window[which]]
            pairs = pairs.at(which[real], box=box[real])
            middle = cells[0] + np.arange(0, len(cells), width) + (width - 1) / 2
            half = (0.0 if width == 1 else width / 2 * _CELL, high)
            boxes = Boxes.about(middle * _CELL, declination, half, self._hemisphere)
            pairs = narrowed(self._walls, boxes, windows, starts, pairs)
            if not len(pairs.box):
                break
        return pairs, windows

    def _windows(self, directions: Floats) -> tuple[Windows, Bools]:
        """Each channel's exit across that bore of its own which points nearest to a direction.

        Also whether a direction is for that window: (directions, windows).
        """
        v = self._voids
        ahead = directions @ v.axes[A]
        bores = len(v.half)
        keys = []
        for channel in np.unique(v.channel[v.channel != NO_CHANNEL]):
            own = np.flatnonzero(v.channel == channel)
            keys.append(channel * bores + own[ahead[:, own].argmax(axis=1)])
        key, place = np.unique(np.stack(keys, axis=1), return_inverse=True)
        used = np.zeros((len(directions), len(key)), np.bool_)
        used[np.arange(len(directions))[:, None], place.reshape(len(directions), -1)] = True
        channel, facing = np.divmod(key, bores)
        half = self._half[channel][:, None]
        across, beside = half * v.axes[U][:, facing].T, half * v.axes[V][:, facing].T
        exits = self._exits[channel]
        rim = np.where(v.round[facing], half[:, 0], np.inf)
        return Windows(channel, facing, exits, across, beside, exits, rim), used

    def _trace(self, area: int, rows: Ints, pairs: Pairs, windows: Windows, cells: Singles) -> None:
        """Add shares of stray light to an area's cells (rows, hour angles, channels)."""
        full = (2 * self._half[windows.channel]) ** 2 / self._voids.drawn_mm2[windows.facing]
        size = max(_BATCH[0], _BATCH[1] // self._rays)
        for part in pairs.chunks(size, len(self._voids.half)):
            other_half = part.window >= len(windows.channel) // 2
            ranks = self._ranks(area * _WIDTHS[0] + part.box, rows, other_half)
            count = strayed(self._walls, windows, part, ranks)
            share = count * (full[part.window] / self._rays)[:, None]
            # Two halves of an exit come to the same place: one by one.
            for number, place in enumerate(
                zip(part.box, windows.channel[part.window], strict=True)
            ):
                cells[:, *place] += share[number]

    def _ranks(self, cells: Ints, row: Ints, other_half: Bools) -> Ranks:
        """The ranks of one cell and one half of an exit each, in all rows."""
        cell = cells[:, None]
        hour, declination = cell * _CELL, row * _CELL
        cd, sd = np.cos(declination), np.sin(declination)
        h = self._hemisphere
        towards = (cd * np.cos(hour), -h * cd * np.sin(hour), h * sd + 0 * hour)
        # Evenly along hour angles by steps of an irrational number, along declinations by
        # digits turned about, or the other way round: no edge of light keeps in step.
        beside = (self._first + _BESIDE * cell + _turned(row, 3, 3) + other_half[:, None] / 2) % 1.0
        across = (self._first + _ACROSS * row + _turned(cell, 2, 5)) % 1.0
        rays = self._rays // 2
        return Ranks(
            tuple(t.astype(np.float32) for t in towards),
            ((2 * across) / rays - 1).astype(np.float32),
            (2 * beside - 1).astype(np.float32),
            rays,
        )


def _turned(number: Ints, base: int, digits: int) -> Floats:
    """0..1: the last digits of whole numbers, read backwards after the point."""
    turned, place = np.zeros(number.shape), 1.0
    for _ in range(digits):
        number, digit = np.divmod(number, base)
        place /= base
        turned += digit * place
    return turned


def disc_weights(row: int) -> Floats:
    """How much of the Sun's light about a node of a row comes from each cell around it.

    Shape (declinations, hour angles), both odd in number, the node's own cell in the middle.
    """
    declination_deg = row * STEP_DEG
    radius_deg = float(mean_semidiameter_deg(declination_deg))
    fine = 16
    inside = (np.arange(fine) + 0.5) / fine - 0.5
    up = np.arange(-_REACH, _REACH + 1)
    wide = int(np.ceil(radius_deg / np.cos(np.radians(abs(declination_deg) + 1)) / CELL_DEG)) + 1
    side = np.arange(-wide, wide + 1)
    y_deg = (up[:, None] + inside).ravel()[:, None] * CELL_DEG
    x_deg = (side[:, None] + inside).ravel() * CELL_DEG
    # Across, a degree of hour angle is shorter by the cosine half-way to the point.
    flat = np.cos(np.radians(declination_deg + y_deg / 2))
    off = ((x_deg * flat) ** 2 + y_deg**2) / radius_deg**2
    bright = (1 - _LIMB + _LIMB * np.sqrt(np.maximum(1 - off, 0.0))) * (off < 1)
    bright *= np.cos(np.radians(declination_deg + y_deg))
    weights = bright.reshape(len(up), fine, len(side), fine).sum(axis=(1, 3))
    shares: Floats = weights / weights.sum()
    return shares
