"""The bench as it stands now: what was traced, what that tells of each bore, what is missing.

Looks come in one by one and cost little. What they tell is worked out elsewhere, in a thread of
its own (`worked_out`), anew each time the trace has grown by a share of itself: so all of it
together costs a few times what the last one does.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dialbench.aperture import passes
from dialbench.aperture.model import ZERO
from dialbench.aperture.passes import Edge, Flank
from dialbench.aperture.result import RANGE, Apertures
from dialbench.aperture.setting import Setting
from dialbench.aperture.sweep import Sweep
from dialbench.aperture.tracing import Tracing
from dialbench.errors import UserError
from dialcore import records

Floats = NDArray[np.float64]

SCHEMA = "dialbench.sweep/1"
_SEVERAL = (
    "the trace so far fits the dial in more than one place: turn on, past its first or last bore"
)
_FIRST = 60  # looks before it is tried for the first time
_GROWTH = 1.4
_RESTED = 100  # looks in a row that were not kept: five seconds of a shaft that rests
_DEGREE = 360 / 65536


@dataclass(frozen=True)
class Found:
    """What a sweep of so many looks told, and where the edges of its bores lie; or why nothing."""

    setting: Setting
    looks: int
    apertures: Apertures | None
    flanks: tuple[Flank, ...]
    trouble: str


class GivenUp(Exception):
    """Nobody waits for the work any more."""


def worked_out(
    setting: Setting, sweep: Sweep, is_wanted: Callable[[], bool] = lambda: True
) -> Found:
    """Takes seconds; belongs into a thread. Bad light or a sweep that fits nothing is told in
    words. Raises GivenUp soon after is_wanted has become false."""

    def going(_share: float) -> None:
        if not is_wanted():
            raise GivenUp

    looks = len(sweep) // max(len(setting.dial.channels), 1)
    try:
        found = setting.apertures(sweep, going)
    except UserError as wrong:
        return Found(setting, looks, None, (), str(wrong))
    if found.rival_deg is not None:
        return Found(setting, looks, None, (), _SEVERAL)
    light = found.model.light
    declination, radius = (float(np.median(of)) for of in (light.declination, light.radius))
    edges = passes.flanks(setting, declination, radius, found.fit.values)
    return Found(setting, looks, found, tuple(edges), "")


@dataclass(frozen=True)
class BoreState:
    """A bore now: values with their sigma, None where they are not told; what it still needs."""

    bore: int
    channel: int
    entry_mm: dict[str, float] | None
    hour_angle_deg: dict[str, float] | None
    needs: tuple[str, ...]


@dataclass(frozen=True)
class Shaft:
    """The shaft at the latest look: its angle, and what its encoder says of itself."""

    angle_deg: float | None
    state: int
    is_lit: bool

    @property
    def trouble(self) -> str:
        """What is wrong with it, in words; "" where nothing is."""
        for bit, words in (
            (records.SILENT, "the encoder does not answer: check its wires"),
            (records.NO_MAGNET, "the encoder sees no magnet: bring one to the shaft's end"),
            (records.WEAK, "the encoder's magnet is too far off: move it nearer"),
            (records.STRONG, "the encoder's magnet is too near: move it away"),
        ):
            if self.state & bit:
                return words
        return (
            ""
            if self.is_lit
            else "no light on the open-sky sensor: is the lamp on, or the Sun out?"
        )


class LiveBench:
    """Not for several threads at once; only what `due` gives goes to another."""

    def __init__(self, setting: Setting) -> None:
        self.setting = setting
        self.tracing = Tracing(len(setting.dial.channels))
        self.shaft: Shaft | None = None
        self.found: Found | None = None
        self._tried = 0  # looks there were when it was last worked out, or is being so
        self._working = False
        self._idle = 0  # looks since one was kept
        self._judged: tuple[int, Found | None] = (-1, None)
        self._edges: list[Edge] = []
        self._fitted: list[dict[str, Any]] = []

    def relit(self, setting: Setting) -> None:
        """The light, or what is covered, is told anew: what was traced stays."""
        self.setting, self.found, self._tried = setting, None, 0
        self._edges, self._fitted = [], []

    def hear(
        self,
        utc_us: int,
        angle: int,
        state: int,
        is_lit: bool,
        levels: tuple[int, ...],
        dropped: int = 0,
    ) -> bool:
        """A look, as Tracing.add takes it; whether it was kept."""
        has_angle = not state & (records.UNTURNED | records.SILENT | records.NO_MAGNET)
        self.shaft = Shaft(angle * _DEGREE if has_angle else None, state, is_lit)
        is_kept = self.tracing.add(utc_us, angle, state, is_lit, levels, dropped)
        self._idle = 0 if is_kept else self._idle + 1
        return is_kept

    def due(self, at_last: bool = False) -> Sweep | None:
        """A sweep to be worked out now, for `worked`; None where that is not due. at_last: it is
        due where anything is new, as it is where the shaft has come to rest."""
        looks = len(self.tracing)
        enough = max(_FIRST, _GROWTH * self._tried)
        if at_last or (self._idle >= _RESTED and looks >= _FIRST):
            enough = self._tried + 1
        if self._working or looks < enough:
            return None
        self._working, self._tried = True, looks
        return self.tracing.sweep()

    def worked(self, found: Found) -> None:
        """What `worked_out` made of what was due."""
        self._working = False
        if found.setting is not self.setting:
            return  # the light was told anew meanwhile
        if found.apertures is None and self.found is not None and self.found.apertures is not None:
            return  # what was told before stands
        self.found = found
        self._fitted = found.apertures.bores() if found.apertures else []

    def edges(self) -> list[Edge]:
        """All edges of all open bores as they have been passed so far; none before the shaft's
        zero is known."""
        now = (len(self.tracing), self.found)
        if now == self._judged or self.found is None or self.found.apertures is None:
            return self._edges
        tracing, looks = self.tracing, len(self.tracing)
        sweep = Sweep.of(
            np.zeros(looks, np.int64),
            np.zeros(looks),
            tracing.angle_deg() if tracing.turned else None,
            tracing.utc_us(),
        )
        seen = passes.seen_deg(self.setting, self.found.apertures, sweep)
        self._edges = passes.judged(
            list(self.found.flanks), seen, passes.grain_deg(tracing.angle_deg())
        )
        self._judged = now
        return self._edges

    def places_deg(self, channel: int) -> list[tuple[int, float]]:
        """At what angle of the shaft the light of a lamp falls along each bore of a channel, (bore,
        degrees): about, without what the shaft does besides. None before its zero is known."""
        found = self.found.apertures if self.found else None
        if found is None:
            return []
        middle: dict[int, list[float]] = {}
        for flank in self.found.flanks if self.found else ():
            middle.setdefault(flank.bore, []).append((flank.low_deg + flank.high_deg) / 2)
        zero_deg = float(np.degrees(found.fit.values.common[ZERO]))
        return [
            (bore, self.setting.sense * (float(np.mean(at)) - zero_deg))
            for bore, at in middle.items()
            if self.setting.dial.bores[bore].channel == channel
        ]

    def states(self) -> list[BoreState]:
        """Every bore now."""
        dial = self.setting.dial
        told = passes.needs(self.edges(), len(dial.bores), self._period_s())
        known = bool(self.found and self.found.apertures)
        found = []
        for number, bore in enumerate(dial.bores):
            fitted = self._fitted[number] if self._fitted else None
            needs = told[number] if known else ("the shaft's zero is not known yet: turn on",)
            if fitted and not needs:
                # Passed well enough, and yet the fit may find that no light came through.
                is_old = self.found is not None and self.found.looks < len(self.tracing)
                needs = tuple(fitted["needs"])
                if needs and is_old:
                    needs = ("passed, and to be worked out anew",)
            if number in self.setting.covered:
                needs = ("was covered",)
            found.append(
                BoreState(
                    number,
                    bore.channel,
                    fitted and fitted["entry_mm"],
                    fitted and fitted["hour_angle_deg"],
                    needs,
                )
            )
        return found

    def _period_s(self) -> float:
        steps = np.diff(self.tracing.utc_us())
        return float(np.median(np.abs(steps))) * 1e-6 if len(steps) else 0.0

    def waiting(self) -> list[int]:
        """Channels that still need a pass."""
        return sorted({one.channel for one in self.states() if one.needs})

    def sentences(self) -> list[str]:
        """What is missing, and what else there is to say."""
        counts, told = self.tracing.counts, []
        if self.found is None:
            told.append("Too little was traced to tell anything of the bores.")
        elif self.found.trouble:
            told.append(self.found.trouble[:1].upper() + self.found.trouble[1:] + ".")
        else:
            waiting = self.waiting()
            told.append(
                f"Channels that still need a pass: {_list(waiting)}."
                if waiting
                else "No channel needs a pass any more."
            )
        if counts.dropped:
            told.append(f"{counts.dropped} looks were dropped: the line had no room for them.")
        if counts.shaftless:
            told.append(
                f"{counts.shaftless} looks had no use: the shaft's encoder told no angle with them."
            )
        if counts.alien:
            told.append(f"{counts.alien} looks were of another number of channels than the dial's.")
        if counts.dark:
            told.append(f"{counts.dark} looks came without light on the open-sky sensor.")
        if counts.full:
            told.append(
                f"{counts.full} looks were not kept: the trace is full; save it, and begin anew."
            )
        return told

    def table(self) -> list[list[str]]:
        """Bores, one a row, under a heading; half-widths are of 95%, in mm and deg."""
        rows = [["bore", "channel", "entry", "hour angle", "needs"]]
        for one in self.states():
            rows.append(
                [
                    str(one.bore),
                    str(one.channel),
                    of_95(one.entry_mm, 3),
                    of_95(one.hour_angle_deg, 3),
                    "; ".join(one.needs) or "-",
                ]
            )
        return rows

    def as_dict(self) -> dict[str, Any]:
        """The same as JSON's own types; SCHEMA names its form."""
        shaft, apertures = self.shaft, self.found.apertures if self.found else None
        edges: dict[int, dict[str, Any]] = {}
        for edge in self.edges():
            edges.setdefault(edge.flank.bore, {})[passes.NAMES[edge.flank.side]] = {
                "looks": edge.looks,
                "slow": edge.slow,
                "widest_gap_share": edge.gap,
                "flank_deg": edge.flank.wide_deg,
                "is_done": edge.is_done,
            }
        return {
            "schema": SCHEMA,
            "dial_hash": self.setting.dial.hash,
            "looks": self.tracing.counts.as_dict(),
            "shaft": shaft
            and {"angle_deg": shaft.angle_deg, "state": shaft.state, "trouble": shaft.trouble},
            "trouble": self.found.trouble if self.found else "",
            "channels_waiting": self.waiting(),
            "bores": [
                {
                    "bore": one.bore,
                    "channel": one.channel,
                    "entry_mm": one.entry_mm,
                    "hour_angle_deg": one.hour_angle_deg,
                    "edges": edges.get(one.bore, {}),
                    "needs": list(one.needs),
                }
                for one in self.states()
            ],
            "aperture": apertures and apertures.as_dict(),
        }


def of_95(told: dict[str, float] | None, digits: int) -> str:
    """A value with the half-width of its 95% interval; "-" where it is not told."""
    if told is None:
        return "-"
    return f"{told['value']:.{digits}f} +- {RANGE * told['sigma']:.{digits}f}"


def _list(numbers: list[int]) -> str:
    return ", ".join(map(str, numbers[:20])) + (", ..." if len(numbers) > 20 else "")
