"""Edges of fans, moved until no channel is lit before its time or after it.

Light from other bores, and the season, move the instant at which a channel passes one half. Each
edge is set so that at the declination where it is worst the crossing falls just
inside the channel's own steps: what it costs elsewhere is a little darkness, never a wrong
light.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from dialbench.optimise.design import Design, Fan, Floats, Trim, Trims, drawn, edges_deg, fans
from dialbench.optimise.trial import LIT, Trial, looked_at
from dialbench.rays.stray import CELL_DEG
from dialbench.wish import Wish

INSIDE_DEG = 0.012  # how far inside its steps a channel's crossing is put: 3 s
_WINDOW_DEG = 1.6  # how far from its place a crossing is looked for
_MOST_DEG = 1.5  # that an edge is moved


def trimmed(
    wish: Wish,
    design: Design,
    declinations_deg: Sequence[float],
    rounds: int,
    start: Trims | None = None,
) -> tuple[Trims, Trial]:
    """Trims of a design after some rounds, and the trial of the last. Raises Infeasible."""
    edges = edges_deg(wish)
    trims = dict(start or {})
    trial = looked_at(drawn(wish, design, trims), edges, declinations_deg)
    # A drill's bore is as wide as the drill.
    for _ in range(0 if wish.process.kind == "drill" else rounds):
        moved = {fan: _moved(trial, edges, fan, trims.get(fan, Trim())) for fan in fans(wish)}
        if moved == trims:
            break
        trims = moved
        trial = looked_at(drawn(wish, design, trims), edges, declinations_deg)
    return trims, trial


def _moved(trial: Trial, edges: Floats, fan: Fan, trim: Trim) -> Trim:
    half = (edges[fan.last] - edges[fan.first]) / 2
    early = _crossings(trial, fan.channel, edges[fan.first], True, half)
    late = _crossings(trial, fan.channel, edges[fan.last], False, half)
    if len(early):
        trim = replace(
            trim, early_deg=_step(trim.early_deg, edges[fan.first] + INSIDE_DEG - early.min())
        )
    if len(late):
        trim = replace(
            trim, late_deg=_step(trim.late_deg, edges[fan.last] - INSIDE_DEG - late.max())
        )
    return trim


def _step(was_deg: float, by_deg: float) -> float:
    return round(float(np.clip(was_deg + by_deg, -_MOST_DEG, _MOST_DEG)), 4)


def _crossings(trial: Trial, channel: int, edge_deg: float, rise: bool, half_deg: float) -> Floats:
    """At each declination, where a channel passes LIT near an edge; those that do so."""
    window = min(_WINDOW_DEG, half_deg)
    begin, end = np.searchsorted(trial.hours_deg, (edge_deg - window, edge_deg + window))
    off = trial.total[:, begin:end, channel] - LIT
    if not rise:
        off = -off
    passes = (off[:, :-1] < 0) & (off[:, 1:] >= 0)
    row, place = np.nonzero(passes)
    share = off[row, place] / (off[row, place] - off[row, place + 1])
    found: Floats = trial.hours_deg[begin + place] + share * CELL_DEG
    return found
