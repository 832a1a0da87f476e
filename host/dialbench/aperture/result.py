"""What a sweep says of each bore, and which bores still need a pass."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from dialbench.aperture import start
from dialbench.aperture.model import (
    AXIS,
    BACKLASH,
    BRIGHT,
    COSINE,
    ENTRY,
    EXIT,
    FARTHER,
    FIXED,
    PRIOR,
    SINE,
    TILT,
    ZERO,
    Model,
)
from dialbench.aperture.source import Light
from dialbench.aperture.sweep import Sweep, SweepError
from dialbench.dial import Dial

if TYPE_CHECKING:
    from dialbench.aperture.fit import Fit

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

SCHEMA = "dialbench.aperture/1"
RANGE = 1.959964  # of a normal distribution, either side, for 95%
_FEWEST = 4  # samples on an edge
_STEEP = 0.2  # of an edge's steepest: from there a sample tells where the edge is
_TOLD = 0.5  # of what was thought before: with more, the data told nothing


@dataclass(frozen=True)
class Apertures:
    """The bores of a dial as a sweep has them."""

    model: Model
    fit: Fit
    distance_mm: float | None
    needs: tuple[tuple[str, ...], ...]  # of each bore, in words; empty: nothing
    rival_deg: float | None  # so far on, the sweep fits the dial almost as well

    def _told(self, kind: int) -> NDArray[np.bool_]:
        """Of which bores something is told."""
        sigma = self.fit.sigma.own[kind]
        if kind == EXIT:
            sigma = sigma[self.model.channel]
            sigma = np.where(self.model.straight, self.fit.sigma.own[ENTRY], sigma)
        told: NDArray[np.bool_] = self.model.open & (kind == AXIS or sigma < _TOLD * PRIOR[kind])
        if kind in (AXIS, ENTRY):
            # Of a bore that shows one edge neither its width nor its axis is known alone.
            told &= np.array([not needs for needs in self.needs], np.bool_)
        if kind == TILT:
            told &= self.model.is_round
        return told

    def bores(self) -> list[dict[str, Any]]:
        """One object a bore; null stands for what is not told."""
        model, fitted = self.model, self.fit
        told = {kind: self._told(kind) for kind in (AXIS, TILT, ENTRY, EXIT)}
        found = []
        for number, bore in enumerate(model.dial.bores):
            straight = bool(model.straight[number])

            def of(kind: int, unit: float, drawn: float, at: int, number: int = number) -> Any:
                if not told[kind][number]:
                    return None
                source = ENTRY if kind == EXIT and model.straight[number] else kind
                value, sigma = fitted.values.own[source][at], fitted.sigma.own[source][at]
                return _with_sigma(drawn + float(value) * unit, float(sigma) * unit)

            exit_at = number if straight else bore.channel
            degree = float(np.degrees(1.0))
            found.append(
                {
                    "bore": number,
                    "channel": bore.channel,
                    "entry_mm": of(ENTRY, bore.entry_mm, bore.entry_mm, number),
                    "exit_mm": of(EXIT, bore.exit_mm, bore.exit_mm, exit_at),
                    "hour_angle_deg": of(AXIS, degree, bore.hour_angle_deg, number),
                    "declination_deg": of(TILT, degree, bore.declination_deg, number),
                    "drawn": {
                        "entry_mm": bore.entry_mm,
                        "exit_mm": bore.exit_mm,
                        "hour_angle_deg": bore.hour_angle_deg,
                        "declination_deg": bore.declination_deg,
                    },
                    "needs": list(self.needs[number]),
                }
            )
        return found

    def _common(self, number: int, unit: float, told: float = _TOLD) -> dict[str, float] | None:
        sigma = self.fit.sigma.common[number]
        prior = self.fit.common_prior[number]
        if prior <= FIXED or sigma > told * prior:
            return None
        return _with_sigma(float(self.fit.values.common[number]) * unit, float(sigma) * unit)

    def as_dict(self) -> dict[str, Any]:
        """The same as JSON's own types; SCHEMA names its form."""
        fitted, degree = self.fit, float(np.degrees(1.0))
        harmonic = [self._common(number, degree) for number in (COSINE, SINE)]
        farther = self._common(FARTHER, self.distance_mm or 0.0)
        if farther is not None and self.distance_mm is not None:
            farther["value"] += self.distance_mm
        return {
            "schema": SCHEMA,
            "dial_hash": self.model.dial.hash,
            "samples": {
                "all": len(self.model.sweep),
                "doubted": int((fitted.true < 0.5).sum()),
            },
            "settled": fitted.settled,
            "noise": {
                "level_share": fitted.noise[0],
                "light_share": fitted.noise[1],
                "angle_deg": fitted.noise[2] * degree,
            },
            "shaft": {
                "zero_deg": _with_sigma(
                    float(fitted.values.common[ZERO]) * degree,
                    float(fitted.sigma.common[ZERO]) * degree,
                ),
                "first_harmonic_deg": None
                if None in harmonic
                else {"cosine": harmonic[0], "sine": harmonic[1]},
                "backlash_deg": self._common(BACKLASH, degree),
                "lamp_distance_mm": farther,
            },
            "axes_scatter_deg": fitted.axis_scatter * degree,
            "bores": self.bores(),
            "not_told": self.not_told(),
        }

    def not_told(self) -> list[str]:
        """What the sweep cannot tell, in words."""
        told = []
        if self.rival_deg is not None:
            told.append(
                "which bores it passed: turned by"
                f" {self.rival_deg:+.1f} deg they look almost alike; sweep past the first and the"
                " last of them"
            )
        sigma, prior = self.fit.sigma.common, self.fit.common_prior
        if max(sigma[[COSINE, SINE]] / prior[[COSINE, SINE]]) > _TOLD:
            told.append(
                "the first harmonic of the shaft's angle (an encoder's magnet beside its middle,"
                " a shaft that misses the pole): too few bores, or over too small a part of a"
                f" turn; all axes together may be off by up to"
                f" {RANGE * np.degrees(np.hypot(sigma[COSINE], sigma[SINE])):.2f} deg for it"
            )
        if prior[BACKLASH] > FIXED and sigma[BACKLASH] > _TOLD * prior[BACKLASH]:
            told.append("the backlash: sweep both ways over the same bores")
        return told

    def rows(self) -> list[tuple[str, str]]:
        """Label and value of what is common to all, for a table; half-widths are of 95%."""
        facts = self.as_dict()
        shaft, noise = facts["shaft"], facts["noise"]
        harmonic = shaft["first_harmonic_deg"]
        shown = [
            ("shaft's zero", f"{_of(shaft['zero_deg'], 3)} deg"),
            (
                "first harmonic of its angle",
                "not told by this sweep"
                if harmonic is None
                else f"{np.hypot(harmonic['cosine']['value'], harmonic['sine']['value']):.3f} deg",
            ),
        ]
        if shaft["backlash_deg"] is not None:
            shown.append(("backlash", f"{_of(shaft['backlash_deg'], 3)} deg"))
        if shaft["lamp_distance_mm"] is not None:
            shown.append(("lamp's distance", f"{_of(shaft['lamp_distance_mm'], 1)} mm"))
        shown.append(("axes scatter by", f"{facts['axes_scatter_deg']:.3f} deg"))
        shown.append(("noise of a level", f"{noise['level_share']:.2%} of full light"))
        counts = facts["samples"]
        shown.append(("samples", f"{counts['all']}, {counts['doubted']} of them doubted"))
        return shown

    def table(self) -> list[list[str]]:
        """Bores, one a row, under a heading; half-widths are of 95%, in mm and deg."""
        lines = [["bore", "channel", "entry", "exit", "hour angle", "declination"]]
        for one in self.bores():
            digits = (
                ("entry_mm", 3),
                ("exit_mm", 3),
                ("hour_angle_deg", 3),
                ("declination_deg", 2),
            )
            cells = ["-" if one[name] is None else _of(one[name], n) for name, n in digits]
            lines.append([str(one["bore"]), str(one["channel"]), *cells])
        return lines

    def sentences(self) -> list[str]:
        """Which bores need a pass, and what else there is to say."""
        told: list[str] = []
        for reason in dict.fromkeys(reason for needs in self.needs for reason in needs):
            numbers = [n for n, needs in enumerate(self.needs) if reason in needs]
            told.append(f"Needs a pass, {_list(numbers)}: {reason}.")
        told += [f"This sweep does not tell {what}." for what in self.not_told()]
        told.append(
            "Axes are told against each other: an error common to all of them is a turn of the"
            " body on its shaft."
        )
        if not self.fit.settled:
            told.append("The solution had not settled when its rounds were over: trust it less.")
        return told


def _list(numbers: list[int]) -> str:
    shown = ", ".join(str(n) for n in numbers[:20]) + (", ..." if len(numbers) > 20 else "")
    return f"bore{'s' if len(numbers) > 1 else ''} {shown}"


def _of(told: dict[str, float], digits: int) -> str:
    return f"{told['value']:.{digits}f} +- {RANGE * told['sigma']:.{digits}f}"


def _with_sigma(value: float, sigma: float) -> dict[str, float]:
    return {"value": value, "sigma": sigma}


def apertures(
    dial: Dial,
    sweep: Sweep,
    light: Light,
    *,
    distance_mm: float | None = None,
    distance_sigma_mm: float = 0.0,
    reversed: bool = False,
    covered: frozenset[int] = frozenset(),
    progress: Callable[[float], None] | None = None,
) -> Apertures:
    """Work out a sweep under a light, sample by sample (dialbench.aperture.source).

    distance_mm: of a lamp, and distance_sigma_mm how well that is known. reversed: the angle
    counts the other way. covered: bores that were covered. Raises SweepError where the sweep
    cannot be this dial's.
    """
    # It takes scipy half a second to come; a screen that only may need it does not wait for it.
    from dialbench.aperture.fit import fit

    if not len(dial.bores) or len(covered) >= len(dial.bores):
        raise SweepError("no bore is open: there is nothing to measure")
    order = np.argsort(sweep.channel, kind="stable")
    sweep, light = sweep.rows(order), light.rows(order)
    sense = -1 if reversed else 1
    began = start.found(dial, sweep, light, sense, covered)
    model = Model(dial, sweep, light, sense, covered)
    farther = distance_sigma_mm / distance_mm if distance_mm else 0.0
    fitted = fit(model, began, farther, progress)
    return Apertures(model, fitted, distance_mm, _needs(model, fitted), began.rival_deg)


def _needs(model: Model, fitted: Fit) -> tuple[tuple[str, ...], ...]:
    """What each bore still needs, in words."""
    row, bore, slope, alone, all_of_it = fitted.shown.edge
    steepest = np.zeros(len(model.channel))
    np.maximum.at(steepest, bore, np.abs(alone))
    real = steepest[bore] > 0
    on_edge = real & (np.abs(alone) > _STEEP * np.maximum(steepest[bore], 1e-9))
    clear = on_edge & (np.abs(all_of_it) > _STEEP * steepest[bore]) & (fitted.true[row] > 0.5)
    found: list[tuple[str, ...]] = []
    for number in range(len(model.channel)):
        needs: list[str] = []
        if not model.open[number]:
            found.append(("was covered",))
            continue
        mine = bore == number
        if not (mine & on_edge).any():
            found.append(("not covered by the sweep",))
            continue
        if fitted.values.own[BRIGHT][number] < 3 * fitted.sigma.own[BRIGHT][number]:
            found.append(("no light came through it: is it blocked, or its sensor dead?",))
            continue
        for way, name in ((1, "later"), (-1, "earlier")):
            # The wall towards later hour angles cuts the light that comes from there.
            side = mine & (np.sign(slope) == way)
            have, free = int((side & on_edge).sum()), int((side & clear).sum())
            if free >= _FEWEST:
                continue
            if have >= _FEWEST:
                needs.append(
                    f"its edge towards {name} hour angles lies in other light of its channel:"
                    " cover that channel's other bores and pass again"
                )
            elif have:
                needs.append(f"too few samples on its edge towards {name} hour angles")
            else:
                needs.append(f"one side only, no sample on its edge towards {name} hour angles")
        found.append(tuple(needs))
    return tuple(found)
