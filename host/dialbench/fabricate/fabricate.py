"""All files to build a dial from: body, drill table, templates, carrier, base, wiring, sheet."""

from __future__ import annotations

import struct
import zlib
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from dialbench import __version__
from dialbench.dial import Dial
from dialbench.errors import UserError
from dialbench.fabricate import (
    base,
    carrier,
    circuit,
    compensate,
    drawing,
    drill,
    folder,
    meshfile,
    pages,
    parts,
    picture,
    schematic,
    sheet,
    sheetpages,
    sizing,
    solid,
    step,
    templates,
    wiring,
)
from dialbench.fabricate.base import Base
from dialbench.fabricate.carrier import Carrier
from dialbench.fabricate.circuit import Circuit
from dialbench.fabricate.drill import Row
from dialbench.fabricate.sizing import Sizing
from dialbench.fabricate.solid import Solid
from dialbench.fabricate.table import stamp
from dialbench.fabricate.workshop import Workshop

_MOST_AREA_MM2 = 4e6  # of a template: some hundred pages

Progress = Callable[[str, float], None]


class FabricateError(UserError):
    """Why a dial cannot be built."""


@dataclass(frozen=True)
class Made:
    """What was written: files by name (bytes, sha256), and figures of the dial."""

    dial: Dial
    body: Dial  # the drawing of the body: another dial, if it is compensated
    files: dict[str, dict[str, Any]]
    volume_mm3: float
    crumbs_mm3: tuple[float, ...]
    rows: tuple[Row, ...]
    plate: Carrier
    base: Base
    workshop: Workshop
    circuit: Circuit
    sizing: Sizing

    @property
    def remarks(self) -> list[str]:
        """What a builder should know beforehand, one sentence each."""
        told = [*self.plate.remarks, *self.sizing.problems]
        printed = sum(row.tool == "print" for row in self.rows)
        if printed:
            told.append(
                f"For {printed} of {len(self.rows)} bores and pockets the workshop settings have no "
                "tool: they can only be printed."
            )
        if self.crumbs_mm3:
            told.append(
                f"{len(self.crumbs_mm3)} crumbs of {sum(self.crumbs_mm3):.2f} mm3 in all fall free "
                "and are left out of the body."
            )
        return told

    def as_dict(self) -> dict[str, Any]:
        """Everything a program may want; JSON-ready."""
        body, kinds = self.dial.body, Counter(row.kind for row in self.rows)
        return {
            "name": self.dial.name,
            "hash": self.dial.hash,
            "body_hash": self.body.hash,
            "version": __version__,
            "files": [{"name": name, **facts} for name, facts in sorted(self.files.items())],
            "volume_mm3": round(self.volume_mm3, 3),
            "crumbs_mm3": [round(crumb, 6) for crumb in self.crumbs_mm3],
            "mass_g": round(self.base.body_g, 2),
            "density_g_cm3": self.workshop.density_g_cm3,
            "depth_mm": body.front_mm,
            "width_mm": 2 * body.radius_mm,
            "length_mm": body.length_mm,
            "channels": len(self.dial.channels),
            "slots": kinds["slot"],
            "round_bores": kinds["round"],
            "pockets": kinds["pocket"],
            "settings": max(row.setting for row in self.rows),
            "printed_only": sum(row.tool == "print" for row in self.rows),
            "carrier": {
                "width_mm": round(2 * self.plate.half_y, 3),
                "length_mm": round(2 * self.plate.half_z, 3),
                "thickness_mm": round(self.plate.thickness, 3),
                "sensor_mm": self.plate.sensor,
                "baffle_mm": round(self.plate.baffle, 3),
                "body_screws": len(self.plate.body_screws),
            },
            "base": {
                "wedge_deg": self.base.wedge_deg,
                "plate_mm": [
                    round(self.base.plate_p[1] - self.base.plate_p[0], 3),
                    round(2 * self.base.plate_y, 3),
                ],
                "feet_mm": [[round(p, 3), round(y, 3)] for p, y in self.base.feet],
                "whole_g": round(self.base.whole_g, 1),
                "steady_deg": round(self.base.steady_deg, 2),
                "altitude_deg_per_turn": round(self.base.altitude_deg_per_turn, 4),
                "level_deg_per_turn": round(self.base.level_deg_per_turn, 4),
            },
            "sensors": len(self.dial.channels) + 2,
            "multiplexers": sum(part.value == "74HC4067" for part in self.circuit.parts),
            "load_ohm": self.sizing.load_ohm,
            "remarks": self.remarks,
        }


def fabricate(
    dial: Dial,
    out: Path,
    workshop: Workshop,
    compensate_path: Path | None = None,
    with_step: bool = False,
    progress: Progress = lambda what, share: None,
) -> Made:
    """Write all files to the folder `out`; the same input gives the same bytes.

    Raises UserError, and leaves `out` as it was, for whatever cannot be made or written.
    """
    folder.check(out)
    _check(dial)
    # What is quick to refuse comes before the body, which takes its time.
    plate, sized, wired = electronics(dial, workshop)
    body = dial
    if compensate_path is not None:
        body = compensate.compensated(dial, compensate.load_for(dial, compensate_path))
    rows = drill.rows(body, workshop)
    with folder.staging(out) as made:
        progress("body", 0.0)
        shape = solid.one_solid(body)
        progress("body", 0.5)
        image = _body_files(made, body, shape, with_step, dial)
        progress("body", 1.0)
        progress("drawings", 0.0)
        stand = base.base(dial, plate, workshop, shape.volume_mm3)
        _templates(made, body, rows, stamp(dial, body))
        _drawings(made, dial, plate, stand, workshop)
        progress("drawings", 1.0)
        (made / "drill.csv").write_bytes(drill.drill_csv(stamp(dial, body), rows))
        needed = parts.parts(dial, rows, plate, stand, workshop, shape.volume_mm3, wired)
        (made / "base.csv").write_bytes(base.base_csv(dial, stand))
        (made / "parts.csv").write_bytes(parts.parts_csv(dial, needed))
        for name, data in electronic_files(dial, wired, sized).items():
            (made / name).write_bytes(data)
        told = sheet.sections(dial, body, rows, plate, stand, workshop, shape.volume_mm3)
        (made / "assembly.md").write_bytes(sheet.markdown(dial, told))
        side = base.drawing(dial, stand, side_only=True)
        (made / "assembly.pdf").write_bytes(sheetpages.pdf(dial, told, side, image))
        facts: dict[str, Any] = {"dial": dial.name, "hash": dial.hash, "version": __version__}
        if body is not dial:
            facts["body_hash"] = body.hash
        files = folder.publish(made, out, facts)
    return Made(
        dial,
        body,
        files,
        shape.volume_mm3,
        shape.crumbs,
        rows,
        plate,
        stand,
        workshop,
        wired,
        sized,
    )


def electronics(dial: Dial, workshop: Workshop) -> tuple[Carrier, Sizing, Circuit]:
    """The sensors' plate, what the light asks of the electronics, and the circuit; UserError where
    none can be."""
    if not dial.bores:
        raise FabricateError("bore: the dial has none; there is nothing to build")
    plate = carrier.carrier(dial, workshop)
    sized = sizing.size(dial, plate, workshop)
    return plate, sized, circuit.circuit(dial, workshop, sized)


def _check(dial: Dial) -> None:
    body = dial.body
    if 4 * body.radius_mm * body.length_mm > _MOST_AREA_MM2:
        raise FabricateError(
            f"body: {2 * body.radius_mm:g} x {body.length_mm:g} mm is more than templates on paper "
            f"are good for; keep the face under {_MOST_AREA_MM2 / 1e6:g} square metres"
        )


def _body_files(made: Path, body: Dial, shape: Solid, with_step: bool, dial: Dial) -> bytes:
    """Body in all its forms; returns its picture."""
    maker = f"dialbench {__version__}"
    told = stamp(dial, body)
    meshfile.write_3mf(
        made / "body.3mf",
        shape,
        {"Title": dial.name, "Description": told, "Application": maker},
    )
    meshfile.write_stl(made / "body.stl", shape, f"{dial.hash} {maker}; mm")
    if with_step:
        step.write_step(made / "body.step", body)
    image = picture.picture_of(shape)
    (made / "body.png").write_bytes(_labelled(image, told))
    return image


def _labelled(png: bytes, text: str) -> bytes:
    """A PNG with a comment in it (PNG specification, tEXt; from memory)."""
    head = 8 + 25  # the signature, and the first chunk, IHDR
    chunk = b"tEXtComment\0" + text.encode("latin-1", "replace")
    framed = struct.pack(">I", len(chunk) - 4) + chunk + struct.pack(">I", zlib.crc32(chunk))
    return png[:head] + framed + png[head:]


def _templates(made: Path, body: Dial, rows: tuple[Row, ...], label: str) -> None:
    for name, template in (
        ("face", templates.face(body)),
        ("surface", templates.surface(body, rows)),
    ):
        (made / f"{name}.pdf").write_bytes(pages.pdf(template, label))
        (made / f"{name}.dxf").write_bytes(drawing.dxf(templates.with_bar(template), label))


def _drawings(made: Path, dial: Dial, plate: Carrier, stand: Base, workshop: Workshop) -> None:
    for name, drawn in (
        ("carrier", carrier.drawing(dial, plate, workshop)),
        ("base", base.drawing(dial, stand)),
    ):
        (made / f"{name}.dxf").write_bytes(drawing.dxf(drawn, stamp(dial)))


def electronic_files(dial: Dial, wired: Circuit, sized: Sizing) -> dict[str, bytes]:
    """Drawings and tables of the electronics, by name of file."""
    return {
        "wiring.csv": wiring.wiring_csv(dial, wired),
        "netlist.csv": circuit.netlist_csv(dial, wired),
        "sizing.csv": sizing.sizing_csv(dial, sized),
        "board.svg": schematic.board_svg(dial, wired),
        "leaves.svg": schematic.leaves_svg(dial, wired),
    }
