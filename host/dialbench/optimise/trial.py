"""A quick look at a dial: what its channels show along a few declinations.

The same closed form and the same rays as in `dialbench.lit`, but stray light is traced along
single lines of the sky and spread over the Sun's disc in hour angle only. A second's work
where the whole field takes a minute; good to about 0.01 in lit fraction.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dialbench import ideal
from dialbench.dial import Dial
from dialbench.rays.stray import CELL_DEG, STEP_DEG, Stray, disc_weights
from dialbench.sky import mean_semidiameter_deg

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

LIT = 0.5
CLEAR = 0.25  # a face is clear where lit channels have 1 - CLEAR at least, dark ones CLEAR at most
_DARK = 1e-6  # own light below which a channel's own bores are shut
_MARGIN_DEG = 2.0  # looked at before the first step and after the last


@dataclass(frozen=True, eq=False)
class Trial:
    """Lit fractions along lines of constant declination, at hour angles CELL_DEG apart.

    hours_deg (n,); declinations_deg (m,); own and total (m, n, channels): what each channel's
    own bores let through, and all light. wanted (n, channels): what the plan wants lit;
    running (n,): whether it runs.
    """

    hours_deg: Floats
    declinations_deg: Floats
    own: Floats
    total: Floats
    wanted: Bools
    running: Bools

    def _on(self, which: Floats) -> Floats:
        return which[:, self.running]

    @property
    def duty(self) -> float:
        """Share of the plan in which exactly the right channels are lit."""
        return self._duty(self.total)

    @property
    def duty_alone(self) -> float:
        """The same, if no light strayed."""
        return self._duty(self.own)

    def _duty(self, which: Floats) -> float:
        lit = self._on(which) >= LIT
        return float((lit == self.wanted[self.running]).all(axis=2).mean())

    @property
    def wrong(self) -> float:
        """Share of the plan in which a channel is lit that should be dark."""
        stray = (self._on(self.total) >= LIT) & ~self.wanted[self.running]
        return float(stray.any(axis=2).mean())

    @property
    def ghost(self) -> float:
        """Most light on a channel that should be dark and whose own bores are shut."""
        shut = ~self.wanted[self.running] & (self._on(self.own) < _DARK)
        return float((self._on(self.total) * shut).max(initial=0.0))

    @property
    def clear(self) -> float:
        """Share of the plan in which the right face stands clear: see CLEAR."""
        wanted = self.wanted[self.running]
        off = np.where(wanted, 1 - self._on(self.total), self._on(self.total))
        return float((off <= CLEAR).all(axis=2).mean())

    @property
    def brightness(self) -> float:
        """Mean lit fraction of the channels that should be lit."""
        wanted = self.wanted[self.running]
        return float(self._on(self.total)[:, wanted].mean()) if wanted.any() else 0.0


def looked_at(
    dial: Dial, edges_deg: Floats, declinations_deg: Sequence[float], ghosts: bool = True
) -> Trial:
    """A trial of a dial whose plan's steps begin at edges_deg (steps + 1,).

    Declinations are taken to the nearest CELL_DEG. Without ghosts only the closed form.
    """
    rows = sorted({round(float(d) / CELL_DEG) for d in declinations_deg})
    first = np.floor((edges_deg[0] - _MARGIN_DEG) / CELL_DEG)
    last = np.ceil((edges_deg[-1] + _MARGIN_DEG) / CELL_DEG)
    hours_deg = np.arange(first, last + 1) * CELL_DEG
    count = len(dial.channels)
    step = np.searchsorted(edges_deg, hours_deg, side="right") - 1
    running = (step >= 0) & (step < len(dial.plan.steps))
    lights = np.array(
        [[k in s.channels for k in range(count)] for s in dial.plan.steps] + [[False] * count]
    )
    wanted = lights[np.where(running, step, len(dial.plan.steps))]
    field = Stray(dial) if ghosts else None
    own = np.empty((len(rows), len(hours_deg), count))
    total = np.empty_like(own)
    for k, row in enumerate(rows):
        own[k] = _own(dial, hours_deg, row * CELL_DEG)
        total[k] = own[k]
        if field is not None:
            _add(total[k], field, row, hours_deg)
    np.clip(total, 0.0, 1.0, out=total)
    return Trial(hours_deg, np.array(rows) * CELL_DEG, own, total, wanted, running)


def _own(dial: Dial, hours_deg: Floats, declination_deg: float) -> Floats:
    count = len(dial.channels)
    size = len(hours_deg) * count
    lit: Floats = ideal.bores_of(dial).lit(
        np.repeat(np.radians(hours_deg), count),
        np.full(size, np.radians(declination_deg)),
        np.full(size, np.radians(float(mean_semidiameter_deg(declination_deg)))),
        np.tile(np.arange(count), len(hours_deg)),
    )
    return lit.reshape(-1, count)


def _add(total: Floats, field: Stray, row: int, hours_deg: Floats) -> None:
    """Add stray light, spread over the disc."""
    places_deg, cells = field.line(row, hours_deg[0] - 0.5, hours_deg[-1] + 0.5)
    spread = disc_weights(round(row * CELL_DEG / STEP_DEG)).sum(axis=0)
    reach = len(spread) // 2
    padded = np.zeros((len(hours_deg) + 2 * reach, total.shape[1]))
    shift = round((places_deg[0] - hours_deg[0]) / CELL_DEG) + reach
    begin, end = max(shift, 0), min(shift + len(cells), len(padded))
    if begin < end:
        padded[begin:end] = cells[begin - shift : end - shift]
    for k, weight in enumerate(spread):
        total += weight * padded[k : k + len(total)]
