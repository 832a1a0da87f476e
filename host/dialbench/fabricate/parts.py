"""The part list, by classes of parts: how many of each this dial takes."""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from dialbench.dial import Dial
from dialbench.fabricate.base import Base
from dialbench.fabricate.carrier import Carrier
from dialbench.fabricate.circuit import Circuit
from dialbench.fabricate.drill import Row
from dialbench.fabricate.outlines import Wrap
from dialbench.fabricate.table import stamp, table
from dialbench.fabricate.workshop import Workshop
from dialcore.crossing import FIRST

_COAT_M2_PER_L = 8.0  # of matt black paint, one coat
_COATS = 2


@dataclass(frozen=True)
class Part:
    """quantity in unit (piece, cm3, m, ml, pair); detail says what matters."""

    group: str
    name: str
    quantity: float
    unit: str
    detail: str


def parts(
    dial: Dial,
    listed: Sequence[Row],
    plate: Carrier,
    made: Base,
    workshop: Workshop,
    volume_mm3: float,
    circuit: Circuit,
) -> list[Part]:
    """Everything that this dial is built from, quantities as its geometry asks."""
    return [
        *_body(dial, listed, workshop, volume_mm3),
        *_carrier(dial, plate, workshop),
        *electronic_parts(dial, circuit),
        *_base(made, plate, workshop),
    ]


def _body(dial: Dial, listed: Sequence[Row], workshop: Workshop, volume_mm3: float) -> list[Part]:
    body = dial.body
    size = f"{body.front_mm:g} x {2 * body.radius_mm:g} x {body.length_mm:g} mm"
    walls_mm2 = sum(
        4 * (row.exit_mm + row.surface_mm) / 2 * row.depth_mm for row in listed
    ) + _skin_mm2(dial)
    paint_ml = walls_mm2 / 1e6 / _COAT_M2_PER_L * _COATS * 1000
    found = [
        Part(
            "body",
            "opaque block or printing material",
            math.ceil(volume_mm3 / 1000),
            "cm3",
            f"block of {size}; as bored; printing takes supports and waste besides",
        ),
        Part(
            "body",
            "matt black paint",
            math.ceil(paint_ml / 10) * 10,
            "ml",
            f"{_COATS} coats inside and outside; thin enough for the narrowest bore "
            f"({min(row.exit_mm for row in listed):g} mm)",
        ),
    ]
    tools = Counter((row.tool, row.tool_mm) for row in listed if row.tool_mm is not None)
    for (tool, size_mm), count in sorted(tools.items()):
        found.append(
            Part("body", f"{tool} {size_mm:g} mm", 1, "piece", f"for {count} bores, see drill.csv")
        )
    return found


def _skin_mm2(dial: Dial) -> float:
    body = dial.body
    return (2 * Wrap(body).reach_mm + 2 * body.radius_mm) * body.length_mm


def _carrier(dial: Dial, plate: Carrier, workshop: Workshop) -> list[Part]:
    size = f"{2 * plate.half_y:.1f} x {2 * plate.half_z:.1f} x {plate.thickness:.1f} mm"
    found = [Part("carrier", "opaque plate", 1, "piece", f"{size}, matt black, see carrier.dxf")]
    if plate.body_screws:
        found.append(
            Part(
                "carrier",
                "screw into the body",
                len(plate.body_screws),
                "piece",
                f"for holes of {plate.screw:g} mm, "
                f"{plate.thickness + workshop.screw_depth_mm - 1:.0f} mm long",
            )
        )
    found.append(
        Part(
            "carrier",
            "screw into the bed, countersunk",
            len(plate.bed_screws),
            "piece",
            f"for holes of {plate.screw:g} mm, {plate.thickness + 20:.0f} mm long",
        )
    )
    return found


def electronic_parts(dial: Dial, circuit: Circuit) -> list[Part]:
    """The circuit's parts, one line for all of a kind and value; and what goes with them."""
    alike: dict[tuple[str, str], list[str]] = {}
    for part in circuit.parts:
        alike.setdefault((part.kind, part.value), []).append(part.name)
    sensors = FIRST + len(dial.channels)
    wire_m = math.ceil(sensors * 2 * (dial.body.length_mm + 150) / 1000)
    return [
        *(
            Part("electronics", f"{kind}: {value}", len(names), "piece", _named(names))
            for (kind, value), names in alike.items()
        ),
        Part(
            "electronics",
            "white diffusing film, over each exit",
            len(dial.channels),
            "piece",
            "opal, under 0.2 mm thick, between body and carrier, smaller than the sensor's hole; cut "
            "apart: a sheet would carry light from one exit to the next",
        ),
        Part("electronics", "white diffusing dome or tube", 2, "piece", "over the references"),
        Part(
            "electronics",
            "shade strip, matt black",
            1,
            "piece",
            "for the shaded reference; from horizon to horizon, 25 deg to either side of the "
            "celestial equator",
        ),
        Part("electronics", "wire", wire_m, "m", "two leads a sensor, to the body's lower end"),
        Part("electronics", "weatherproof housing with drying agent", 1, "piece", "light-tight"),
        Part(
            "electronics",
            "protected low-voltage supply",
            1,
            "piece",
            "the host's USB, or a pack with its charger and panel: sizes in sizing.csv",
        ),
    ]


def _named(names: Sequence[str]) -> str:
    """R0 to R32, R_SKY: runs of numbers drawn together."""
    told: list[str] = []
    first = last = ""
    for name in names:
        head, digits = re.fullmatch(r"(.*?)(\d*)", name).groups()  # type: ignore[union-attr]
        follows = digits and last == f"{head}{int(digits) - 1}"
        if not follows:
            first = name
            told.append(name)
        else:
            told[-1] = f"{first} to {name}"
        last = name
    return ", ".join(told)


def _base(made: Base, plate: Carrier, workshop: Workshop) -> list[Part]:
    p = [x for x, _ in made.cheek]
    up = [y for _, y in made.cheek]
    cheek = f"{max(p) - min(p):.0f} x {max(up) - min(up):.0f} x {made.thick:g} mm"
    sheet = f"{made.plate_p[1] - made.plate_p[0]:.0f} x {2 * made.plate_y:.0f} x {made.thick:g} mm"
    return [
        Part("base", "cheek", 2, "piece", f"{cheek} before cutting, see base.dxf"),
        Part("base", "base plate", 1, "piece", sheet),
        Part(
            "base",
            "screw into the cheeks from below",
            len(made.cheek_screws),
            "piece",
            f"for holes of {made.screw:g} mm, {made.thick + 30:.0f} mm long",
        ),
        Part(
            "base",
            "levelling foot with lock nut",
            len(made.feet),
            "piece",
            f"thread for a hole of {made.foot:g} mm, pitch {workshop.foot_pitch_mm:g} mm",
        ),
        Part("base", "screw or anchor into the ground", len(made.fixings), "piece", "as it needs"),
    ]


def parts_csv(dial: Dial, listed: Sequence[Part]) -> bytes:
    """parts.csv: one part a line."""
    return table(
        stamp(dial),
        "Part list",
        ["Quantities follow from the dial. What is named a class is no recommendation."],
        [
            ("group", "what it belongs to"),
            ("part", "class of part"),
            ("quantity", "how many or how much"),
            ("unit", "of quantity"),
            ("detail", "what matters"),
        ],
        [[part.group, part.name, f"{part.quantity:g}", part.unit, part.detail] for part in listed],
    )
