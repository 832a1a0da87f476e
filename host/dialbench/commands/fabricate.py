"""dialbench fabricate"""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from dialbench import dialfile
from dialbench.commands import screen

if TYPE_CHECKING:
    from dialbench.fabricate.fabricate import Made

SCHEMA = "dialbench.fabricate/1"


@click.command("fabricate")
@click.argument("dial_path", metavar="DIAL", type=click.Path(path_type=Path))
@click.option(
    "--out",
    required=True,
    metavar="DIR",
    type=click.Path(path_type=Path),
    help="Folder for the files: new, empty, or with an earlier run's.",
)
@click.option(
    "--compensation",
    "--compensate",
    "compensate_path",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Draw the body's bores the other way by what this file says their making gets wrong; "
    "dialbench solve writes one.",
)
@click.option(
    "--workshop",
    "workshop_path",
    metavar="FILE",
    type=click.Path(path_type=Path),
    help="Sizes of sensors, tools and boards, light and densities, as TOML.",
)
@click.option("--step", "with_step", is_flag=True, help="body.step too; needs dialbench[step].")
@click.option("--json", "as_json", is_flag=True, help='One "dialbench.fabricate/1" object.')
def command(
    dial_path: Path,
    out: Path,
    compensate_path: Path | None,
    workshop_path: Path | None,
    with_step: bool,
    as_json: bool,
) -> None:
    """Write all files that DIAL is built from.

    body.3mf, body.stl and body.png, the solid; drill.csv, every bore with its angles; face and
    surface, templates true to size (.pdf) and for CAD (.dxf); carrier.dxf, the plate for the
    sensors; base.dxf and base.csv, the wedge for the site's latitude; board.svg and leaves.svg
    (A3), netlist.csv, wiring.csv and sizing.csv, the electronics; parts.csv, assembly.pdf and
    assembly.md; manifest.json with everybody's checksum. Same dial, same
    bytes.

    A workshop file may set drills_mm and cutters_mm (lists), sensor_mm, sensor_depth_mm,
    baffle_mm, web_mm, screw_mm, screw_depth_mm, cheek_mm, foot_mm, foot_pitch_mm,
    density_g_cm3, base_density_g_cm3, board ("pico" or "esp32"), sun_klx, sensor_mm2, window_mm,
    film, dome and load_most_ohm. Read assembly.pdf, its cautions first, before you touch a tool.
    """
    dial = dialfile.load(dial_path)
    from dialbench.fabricate import workshop  # heavy
    from dialbench.fabricate.fabricate import fabricate  # heavy

    settings = workshop.Workshop() if workshop_path is None else workshop.load(workshop_path)
    with screen.progress() as progress:
        made = fabricate(dial, out, settings, compensate_path, with_step, progress)
    if as_json:
        click.echo(json.dumps({"schema": SCHEMA, "out": str(out), **made.as_dict()}))
    else:
        _show(made, out)


def _show(made: Made, out: Path) -> None:
    facts = made.as_dict()
    body, base = made.dial.body, facts["base"]
    screen.table(
        f"{made.dial.name}, dial {made.dial.hash}",
        [
            ("body", f"{body.front_mm:g} x {2 * body.radius_mm:g} x {body.length_mm:g} mm"),
            ("volume", f"{made.volume_mm3 / 1000:.1f} cm3"),
            ("mass", f"{facts['mass_g'] / 1000:.2f} kg at {facts['density_g_cm3']:g} g/cm3"),
            (
                "bores",
                f"{facts['slots']} slots, {facts['round_bores']} round, {facts['pockets']} pockets",
            ),
            ("settings of the block", str(facts["settings"])),
            ("sensors", str(facts["sensors"])),
            ("multiplexers", str(facts["multiplexers"])),
            ("wedge", f"{base['wedge_deg']:.3f} deg"),
            ("base plate", " x ".join(f"{side:.0f}" for side in base["plate_mm"]) + " mm"),
            ("steady", f"to {base['steady_deg']:.0f} deg"),
        ],
    )
    screen.columns(
        [
            ["file", "bytes", "sha256"],
            *([each["name"], str(each["bytes"]), each["sha256"][:16]] for each in facts["files"]),
        ]
    )
    for sentence in made.remarks:
        screen.say(sentence)
    screen.say(f"All in {out}. Read assembly.pdf first: it begins with the cautions.")
