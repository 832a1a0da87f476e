"""Which changes of a body alter what a dial reads, and which cannot.

A reading is an angle. What keeps all angles changes no reading, however large it is; what
bends, shears, tilts or narrows does, by so many seconds at most. One second of time is
15 arc seconds of hour angle.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from dialbench.dial import Dial
from dialbench.errors import UserError

_S_PER_RAD = 43200 / math.pi


class MaterialError(UserError):
    """A material or a change that nothing can be told of; str() is one sentence."""


@dataclass(frozen=True)
class Material:
    """Linear expansion in millionths a kelvin, along and across what grain or layers it has.

    swelling: percent of length for one percent of moisture, along and across, 0 where it is
    none to speak of. creeps: whether it gives way under its own weight in a summer's sun.
    """

    name: str
    along_ppm_K: float
    across_ppm_K: float
    swelling_percent: tuple[float, float] = (0.0, 0.0)
    creeps: bool = False


# Handbook values, from memory: they differ between makes and boards by a tenth and more.
MATERIALS = {
    one.name: one
    for one in (
        Material("aluminium", 23.1, 23.1),
        Material("brass", 19.0, 19.0),
        Material("steel", 12.0, 12.0),
        Material("granite", 8.0, 8.0),
        Material("concrete", 12.0, 12.0, (0.005, 0.005)),
        Material("oak", 5.0, 54.0, (0.01, 0.25), creeps=True),
        Material("plywood", 6.0, 8.0, (0.02, 0.03), creeps=True),
        Material("PLA", 68.0, 75.0, creeps=True),
        Material("PETG", 60.0, 68.0, creeps=True),
        Material("ABS", 90.0, 95.0, (0.002, 0.002), creeps=True),
        Material("ASA", 95.0, 100.0, (0.002, 0.002), creeps=True),
        Material("polyamide", 80.0, 100.0, (0.25, 0.28), creeps=True),
    )
}


@dataclass(frozen=True)
class Conditions:
    """What a body meets: warmer as a whole, warmer in front than at the back, moister, all in
    its middle; dirt or wear on every wall of a bore; a foot that sinks, and how far it stands
    from the others."""

    warmer_K: float = 20.0
    gradient_K: float = 10.0
    moister_percent: float = 0.0
    film_mm: float = 0.1
    sunk_mm: float = 0.5
    footing_mm: float = 200.0


@dataclass(frozen=True)
class Effect:
    """One change and the most that it does to a reading, in seconds; what is that about."""

    change: str
    reading_s: float
    why: str


def effects(dial: Dial, material: Material, met: Conditions) -> tuple[Effect, ...]:
    """Each change by itself, in the order in which one would look for it.

    Straight beams and first order: a temperature that falls evenly from front to back bends a
    body of depth h to a radius of h / (expansion x difference); lengths that grow unevenly in
    two directions shear an angle between them by half the difference at most; a film narrows a
    bore's entry, which ends its light earlier and begins it later by film / length.
    """
    body = dial.body
    depth_mm = body.front_mm
    along, across = material.along_ppm_K * 1e-6, material.across_ppm_K * 1e-6
    worst = max(along, across)
    # From the middle, which holds still, to the farther edge.
    reach_mm = max(body.length_mm / 2, body.radius_mm)
    shear = abs(across - along) * met.warmer_K / 2
    swell = abs(material.swelling_percent[1] - material.swelling_percent[0]) / 100
    shortest = min((bore.length_mm for bore in dial.bores), default=depth_mm)
    grown_mm = worst * met.warmer_K * body.length_mm
    return (
        Effect(
            f"{met.warmer_K:g} K warmer all through, alike in all directions",
            0.0,
            f"the body grows by {grown_mm:.2f} mm and keeps every angle",
        ),
        Effect(
            f"the same, but {material.along_ppm_K:g} ppm/K one way and"
            f" {material.across_ppm_K:g} the other",
            shear * _S_PER_RAD,
            "angles between the two directions shear",
        ),
        Effect(
            f"front {met.gradient_K:g} K warmer than back",
            worst * met.gradient_K * reach_mm / depth_mm * _S_PER_RAD,
            f"the body bends over {depth_mm:.0f} mm of depth; bores at its edges tilt most",
        ),
        Effect(
            f"{met.moister_percent:g}% moister all through",
            swell * met.moister_percent / 2 * _S_PER_RAD,
            "wood and some plastics swell more across than along",
        ),
        Effect(
            f"{met.film_mm:g} mm of dirt, rust or paint on every wall",
            met.film_mm / shortest * _S_PER_RAD,
            "each bore lights up so much later and goes dark so much earlier; the middle stays",
        ),
        Effect(
            f"a foot {met.sunk_mm:g} mm lower, {met.footing_mm:g} mm from the others",
            met.sunk_mm / met.footing_mm * _S_PER_RAD,
            "the body tilts: all of it is turn where the axis of the tilt is the polar one",
        ),
    )


def facts(dial: Dial, material: Material, met: Conditions) -> dict[str, Any]:
    """`effects` as JSON's own types."""
    return {
        "dial": {"name": dial.name, "hash": dial.hash},
        "material": {
            "name": material.name,
            "along_ppm_K": material.along_ppm_K,
            "across_ppm_K": material.across_ppm_K,
            "swelling_percent_per_percent": list(material.swelling_percent),
            "creeps": material.creeps,
            "source": "handbook values, from memory",
        },
        "effects": [
            {"change": one.change, "reading_s": one.reading_s, "why": one.why}
            for one in effects(dial, material, met)
        ],
    }


def named(name: str) -> Material:
    """A material of MATERIALS, however it is spelled. Raises MaterialError."""
    for one in MATERIALS.values():
        if one.name.lower() == name.strip().lower():
            return one
    raise MaterialError(f"--of {name}: choose one of {', '.join(MATERIALS)}")
