"""The assembly sheet: cautions first, then the order of work, with this dial's own figures.

One text; told here as Markdown, by `sheetpages` as PDF.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from xml.sax.saxutils import escape

from dialbench.dial import Dial
from dialbench.fabricate.base import Base
from dialbench.fabricate.carrier import Carrier, notes
from dialbench.fabricate.drill import Row
from dialbench.fabricate.table import stamp
from dialbench.fabricate.workshop import Workshop


@dataclass(frozen=True)
class Section:
    """A heading, then paragraphs, then points (numbered: steps in order), then rows of figures."""

    heading: str
    paragraphs: tuple[str, ...] = ()
    points: tuple[str, ...] = ()
    numbered: bool = False
    caution: bool = False
    figures: tuple[tuple[str, str], ...] = ()


CAUTIONS = (
    (
        "Never look at the Sun through a bore, the dial or any lens, and never aim a bore by eye: it "
        "blinds without pain. Aim by the spot of light on paper."
    ),
    (
        "A dial in the sun may throw bright reflections and, through anything that acts as a lens, "
        "burn: keep it covered while you work on it."
    ),
    (
        "Sharp tools: clamp the block before drilling, never hold it by hand. Wear eye protection; no "
        "gloves, loose sleeves or hair near anything that turns."
    ),
    "A small drill breaks without warning: go slowly, clear chips often, keep your face away.",
    (
        "Print heads, beds and hot-wire or laser cutters burn: let them cool; air the room, for their "
        "fumes are unhealthy."
    ),
    (
        "Uncured resin and its solvents irritate and sensitise the skin: gloves, goggles, air, and no "
        "skin contact before it is cured."
    ),
    (
        "Dust of wood, filler and resin harms the lungs: extract it, wear a mask, wet-sand where "
        "you can."
    ),
    "Paint and solvents: air the room, no flame.",
    "Soldering: hot iron, fumes; wash your hands afterwards.",
    (
        "Outdoors use low voltage only. Mains wiring outdoors belongs to a licensed electrician. Keep "
        "lithium batteries out of sun, frost and wet, protected and never charged frozen."
    ),
    (
        "Ladders and roofs: put the dial where you can stand on the ground, or have it put up. A block "
        "of this mass falls hard: two people carry what one cannot hold safely."
    ),
    "Local codes, makers' instructions and licensed practice come before anything written here.",
)


def sections(
    dial: Dial,
    body: Dial,
    listed: Sequence[Row],
    plate: Carrier,
    made: Base,
    workshop: Workshop,
    volume_mm3: float,
) -> tuple[Section, ...]:
    """The whole sheet; body is the drawing of the body, another dial if it is compensated."""
    return (
        Section("Cautions", points=CAUTIONS, caution=True),
        _figures(dial, listed, made, workshop, volume_mm3),
        _files(dial, body),
        _body_work(listed, compensated=body.hash != dial.hash),
        _mounting(dial, plate, made, workshop),
        _aiming(dial, made),
    )


def _figures(
    dial: Dial, listed: Sequence[Row], made: Base, workshop: Workshop, volume_mm3: float
) -> Section:
    body, kinds = dial.body, Counter(str(row.kind) for row in listed)
    bores = ", ".join(
        f"{kinds[kind]} {name}"
        for kind, name in (("slot", "slots"), ("round", "round bores"), ("pocket", "pockets"))
        if kinds[kind]
    )
    exits = sorted({row.exit_mm for row in listed})
    return Section(
        "This dial",
        figures=(
            ("name", dial.name),
            ("site", f"{dial.site.name}, latitude {dial.site.latitude_deg:.4f} deg"),
            (
                "body",
                (
                    f"{body.front_mm:g} mm deep, {2 * body.radius_mm:g} mm wide, "
                    f"{body.length_mm:g} mm along the polar axis, radius {body.radius_mm:g} mm"
                ),
            ),
            ("volume as bored", f"{volume_mm3 / 1000:.0f} cm3"),
            (
                "mass, as an example",
                f"{made.body_g / 1000:.2f} kg at {workshop.density_g_cm3:g} g/cm3",
            ),
            ("channels", str(len(dial.channels))),
            ("bores", bores),
            (
                "exits",
                f"{exits[0]:g} mm" if len(exits) == 1 else f"{exits[0]:g} to {exits[-1]:g} mm",
            ),
            ("settings of the block", str(max(row.setting for row in listed))),
            ("wedge angle", f"{made.wedge_deg:.3f} deg"),
            ("whole mass with base", f"{made.whole_g / 1000:.2f} kg"),
            ("can be tipped", f"{made.steady_deg:.0f} deg before it falls"),
        ),
    )


def _files(dial: Dial, body: Dial) -> Section:
    drawn = (
        "The body's files, drill.csv and the templates are drawn with the known errors of making "
        f"taken off (drawing {body.hash}): what comes out is the dial, not the drawing."
    )
    return Section(
        "The files",
        paragraphs=() if body.hash == dial.hash else (drawn,),
        points=(
            "body.3mf (has units) or body.stl (mm) for a printer; drill.csv for a drill or mill.",
            "face.pdf and surface.pdf, or the same as .dxf: templates, true to size.",
            "carrier.dxf, base.dxf, base.csv: what holds sensors and body.",
            "board.svg and leaves.svg (A3), netlist.csv, wiring.csv: the electronics; sizing.csv: how their values follow from the light; parts.csv: the part list.",
            (
                "manifest.json: all files with their checksums. Each carries the dial's own number; do not "
                "mix them with another dial's."
            ),
        ),
    )


def _body_work(listed: Sequence[Row], compensated: bool) -> Section:
    printed = sum(row.tool == "print" for row in listed)
    steps = [
        (
            "Print the templates at 100%, without fitting to the page. Measure both bars on every "
            "page with a steel rule: each must be 100.0 mm, to 0.2 mm. If one is not, print again: do "
            "not work with a scaled template."
        ),
        "Join pages so that marks of one name lie on each other, and cut along the outline."
        if printed == len(listed)
        else "Join pages so that marks of one name lie on each other, cut along the outline, and "
        "stick face.pdf on the face (+z to the end that will be the upper one) and surface.pdf "
        "round the outside, folded at the grey lines.",
    ]
    if printed < len(listed):
        steps.append(
            "Work through drill.csv from top to bottom. For each setting, turn and tilt the block "
            "as the file's first lines say, clamp it, and check one bore by its entry cross and "
            "its exit cross before drilling the others."
        )
    if printed:
        check = (
            ""
            if compensated
            else " Lay the templates on the print: exits and entries must lie where they show them."
        )
        steps.append(
            f"For {printed} of {len(listed)} bores and pockets the workshop settings have no tool: "
            "they can only be printed. Print body.3mf with the face down, walls "
            f"solid, no supports inside bores.{check}"
        )
    steps += [
        (
            "Clear every bore: a wire or a jet of air must pass. Shine a torch through each onto "
            "paper, in a dim room; do not look through."
        ),
        (
            "Blacken the bores: pour or draw thin matt black paint through, blow out what would block "
            "them, let dry, repeat. Bright walls carry light to the wrong channel. Paint the outside "
            "too, all but the marks."
        ),
        (
            "Measure a few exits and entries and write them down: with a log of some clear days the "
            "instrument finds the rest."
        ),
    ]
    return Section("The body", points=tuple(steps), numbered=True)


def _mounting(dial: Dial, plate: Carrier, made: Base, workshop: Workshop) -> Section:
    return Section(
        "Carrier, wedge and base",
        paragraphs=(*notes(plate, workshop), *made.remarks),
        points=(
            (
                "Cut the carrier and lay it on the face: through every light opening its exit must be "
                "seen whole. With the carrier as jig drill the body for its screws."
            ),
            (
                "Lay a bit of diffusing film over every exit, smaller than the sensor's hole. Put the "
                "sensors in their holes from behind, seal around the leads, and wire them as wiring.csv "
                "and leaves.svg say. Label each lead with its channel."
            ),
            (
                f"Cut two cheeks to base.dxf. The wedge angle is {made.wedge_deg:.3f} deg: check it on "
                "the assembled base with a level and a protractor; what is left over the feet take up."
            ),
            (
                "Screw the cheeks to the base plate, their ledges to the equator's side, then the "
                "carrier on the bed with its lower end at the ledge."
            ),
            (
                "Lay the body on the carrier, face down, its lower end at the ledge, and screw it on "
                "from behind, between the cheeks. Hold it until the screws do."
            ),
            (
                "Stand all on its three feet and push gently: it must come back. Before it goes "
                "outdoors, screw the base down: wind is stronger than a push."
            ),
        ),
        numbered=True,
    )


def _aiming(dial: Dial, made: Base) -> Section:
    pole = "north" if dial.site.hemisphere > 0 else "south"
    if dial.site.latitude_deg == 0:
        pole = "north (as this dial counts)"
    return Section(
        "Aiming",
        points=(
            "Level the base plate along and across with the three feet.",
            (
                f"Turn the whole so that the bed rises to true {pole}: not the compass's. A compass is "
                "off by the local magnetic declination, and by iron nearby. The shadow of a plumb line "
                "at the Sun's transit (`dialbench sun` tells when) lies along the true meridian."
            ),
            (
                f"One turn of foot 3 (pole side) changes the axis's altitude by "
                f"{made.altitude_deg_per_turn:.3f} deg; one turn of foot 1 or 2 tilts it "
                f"across by {made.level_deg_per_turn:.3f} deg."
            ),
            (
                "Check by the clock: `dialbench predict` says when which channel is lit. Watch the spot "
                "on paper or the log, never the Sun."
            ),
            (
                "Fasten the lock nuts, then log some clear days: the comparison with the ephemeris "
                "tells what is still off, far finer than a protractor."
            ),
        ),
        numbered=True,
    )


def markdown(dial: Dial, told: Sequence[Section]) -> bytes:
    """assembly.md."""
    lines = [f"# Assembly: {_quiet(dial.name)}", "", f"{stamp(dial)}", ""]
    for section in told:
        lines += [f"## {section.heading}", ""]
        lines += [text for paragraph in section.paragraphs for text in (_quiet(paragraph), "")]
        for k, point in enumerate(section.points, 1):
            lines.append(f"{k}. {_quiet(point)}" if section.numbered else f"- {_quiet(point)}")
        if section.points:
            lines.append("")
        if section.figures:
            lines += ["| | |", "| --- | --- |"]
            lines += [f"| {_quiet(label)} | {_quiet(value)} |" for label, value in section.figures]
            lines.append("")
    return "\n".join(lines).encode()


def _quiet(text: str) -> str:
    """Text in which Markdown finds neither markup of a file's making nor HTML."""
    text = escape(text)
    for sign in "\\*_[]|#!":
        text = text.replace(sign, "\\" + sign)
    return text
