"""Wedge and base: what holds the body so that its z axis points to the pole.

Two cheeks, one on either side, carry the sensor carrier on their sloping upper edges, the
*bed*; the body lies on the carrier, its face down. The bed rises towards the pole by the
site's latitude (its absolute value), and ends below in a ledge that keeps the body from
sliding. Cheeks stand on a level base plate with three levelling feet.

Side views are in (p, up): p level towards the visible pole, up from the base plate's upper
side; y is that of the frame P. Lengths in mm.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from dialbench.dial import Body, Dial
from dialbench.fabricate.carrier import Carrier
from dialbench.fabricate.drawing import Drawing, Point
from dialbench.fabricate.outlines import Wrap, on_surface
from dialbench.fabricate.table import number, stamp, table
from dialbench.fabricate.workshop import Workshop
from dialbench.rays.voids import Voids

STEADY_DEG = 20.0  # how far the whole can be tipped before it falls, at least

_LEDGE_MM = (3.0, 15.0)  # the ledge's height over the carrier, least and most
_THICK_MM = 12.0  # the ledge, along the bed
_TOP_MM = 20.0  # the cheek's upper end, level
_SPARE_MM = 4.0  # the bed is longer than the body
_HAND_MM = 60.0  # room under the bed's lower end for sensors and hands
_FOOT_EDGE_MM = 15.0
_BEYOND_MM = 30.0  # the plate sticks out so far from the cheeks, room for the feet
_GROWTH_MM = 5.0
_FIXING_MM = 6.5  # holes to screw the base down

Foot = tuple[float, float]


@dataclass(frozen=True)
class Base:
    """See the module. cheek is the side profile in (p, up); feet are (p, y), equator side first.

    mass is (p, up) of the whole's centre of mass; steady_deg how far it can be tipped over
    the nearest edge of the triangle of its feet.
    """

    wedge_deg: float
    cheek: tuple[Point, ...]
    bed: tuple[Point, Point]
    ledge: float
    cheek_y: float
    thick: float
    plate_p: tuple[float, float]
    plate_y: float
    feet: tuple[Foot, Foot, Foot]
    foot: float
    cheek_screws: tuple[Foot, ...]
    fixings: tuple[Foot, ...]
    bed_screws: tuple[float, ...]
    screw: float
    mass: Point
    body_g: float
    whole_g: float
    steady_deg: float
    altitude_deg_per_turn: float
    level_deg_per_turn: float
    body: tuple[Point, ...]
    remarks: tuple[str, ...]


def base(
    dial: Dial,
    plate: Carrier,
    workshop: Workshop,
    volume_mm3: float,
) -> Base:
    """The base for a dial whose made body has volume_mm3."""
    wedge_deg = abs(dial.site.latitude_deg)
    slope = math.radians(wedge_deg)
    along = (math.cos(slope), math.sin(slope))  # z, in (p, up)
    outwards = (-math.sin(slope), math.cos(slope))  # x
    lowest, ledge = _ledge_mm(dial)
    long = dial.body.length_mm + _SPARE_MM
    low = (0.0, _HAND_MM)
    cheek = _profile(low, along, outwards, long, plate.thickness + ledge)
    half = dial.body.length_mm / 2  # the body stands on the ledge
    middle = _from(low, along, half)
    seat = _from(middle, outwards, plate.thickness)
    front = _from(seat, outwards, dial.body.front_mm)
    body = tuple(_from(p, along, side) for p in (seat, front) for side in (-half, half))
    body_g = volume_mm3 / 1000 * workshop.density_g_cm3
    wood = workshop.base_density_g_cm3 / 1000
    area, cheek_at = _area(cheek)
    parts = [
        (body_g, _from(seat, outwards, centre_mm(dial.body))),
        (
            4 * plate.half_y * plate.half_z * plate.thickness * wood,
            _from(middle, outwards, plate.thickness / 2),
        ),
        (2 * area * workshop.cheek_mm * wood, cheek_at),
    ]
    plan = _plan(cheek, parts, plate.half_y, workshop, wood)
    foot_p = plan.feet[2][0] - plan.feet[0][0]
    feet_y = plan.feet[0][1] - plan.feet[1][1]
    cheek_y = plate.half_y - workshop.cheek_mm / 2
    bottom = (cheek[0][0], cheek[-1][0])
    spots = [bottom[0] + share * (bottom[1] - bottom[0]) for share in (0.2, 0.8)]
    corner = plan.reach[1] - 8, plan.half_y - 8
    return Base(
        wedge_deg=wedge_deg,
        cheek=cheek,
        bed=(low, _from(low, along, long)),
        ledge=ledge,
        cheek_y=cheek_y,
        thick=workshop.cheek_mm,
        plate_p=plan.reach,
        plate_y=plan.half_y,
        feet=plan.feet,
        foot=workshop.foot_mm,
        cheek_screws=tuple((p, side * cheek_y) for p in spots for side in (-1, 1)),
        fixings=(
            (corner[0], corner[1]),
            (corner[0], -corner[1]),
            ((plan.reach[0] + plan.reach[1]) / 2, corner[1]),
            ((plan.reach[0] + plan.reach[1]) / 2, -corner[1]),
        ),
        bed_screws=tuple(sorted({half + z for y, z in plate.bed_screws if y > 0})),
        screw=workshop.screw_mm,
        mass=plan.mass,
        body_g=body_g,
        whole_g=plan.whole_g,
        steady_deg=plan.steady_deg,
        altitude_deg_per_turn=math.degrees(math.atan(workshop.foot_pitch_mm / foot_p)),
        level_deg_per_turn=math.degrees(math.atan(workshop.foot_pitch_mm / feet_y)),
        body=(body[0], body[2], body[3], body[1]),
        remarks=tuple(_remarks(dial, wedge_deg, ledge > lowest)),
    )


def centre_mm(body: Body) -> float:
    """How far from the face the middle of mass of a body without bores is."""
    radius, front = body.radius_mm, body.front_mm
    rest = math.sqrt(max(radius**2 - front**2, 0.0))
    area = front * rest + radius**2 * math.asin(front / radius)
    return 2 / 3 * (radius**3 - rest**3) / area


def _ledge_mm(dial: Dial) -> tuple[float, float]:
    """How far from the face's plane the lowest entry begins, and a ledge that shades none.

    Light that comes to an entry over the ledge only gains height on its way back to the Sun.
    """
    voids, wrap = Voids.of(dial, 0.0, 1.0), Wrap(dial.body)
    lowest = _LEDGE_MM[1] + 1.0
    for k in range(len(dial.bores)):
        line = on_surface(dial, voids, k)
        if len(line):
            lowest = min(lowest, float(wrap.rolled(line[:, 0])[0].min()))
    return lowest, max(_LEDGE_MM[0], min(lowest - 1.0, _LEDGE_MM[1], 0.8 * dial.body.front_mm))


def _from(start: Point, way: Point, length: float) -> Point:
    return start[0] + length * way[0], start[1] + length * way[1]


def _profile(
    low: Point, along: Point, outwards: Point, long: float, ledge: float
) -> tuple[Point, ...]:
    """The cheek's outline from its lower corner on the equator's side, clockwise."""
    inner = _from(low, outwards, ledge)
    outer = _from(inner, along, -_THICK_MM)
    high = _from(low, along, long)
    top = (high[0] + _TOP_MM, high[1])
    # Steep beds need a foot that reaches back under their upper end.
    back = max(top[0], outer[0] + 0.55 * high[1])
    return (outer[0], 0.0), outer, inner, low, high, top, (back, 0.0)


def _area(line: Sequence[Point]) -> tuple[float, Point]:
    """Area and middle of a closed line."""
    double, p, up = 0.0, 0.0, 0.0
    for (x, y), (x2, y2) in pairwise((*line, line[0])):
        turn = x * y2 - x2 * y
        double += turn
        p += (x + x2) * turn
        up += (y + y2) * turn
    return abs(double) / 2, (p / (3 * double), up / (3 * double))


@dataclass(frozen=True)
class _Plan:
    reach: tuple[float, float]
    half_y: float
    feet: tuple[Foot, Foot, Foot]
    mass: Point
    whole_g: float
    steady_deg: float


def _plan(
    cheek: Sequence[Point],
    parts: Sequence[tuple[float, Point]],
    half_y: float,
    workshop: Workshop,
    wood: float,
) -> _Plan:
    """The smallest base plate on whose feet the whole stands steady."""
    above_g = sum(grams for grams, _ in parts)
    above_p = sum(grams * at[0] for grams, at in parts) / above_g
    grow = 0.0
    while True:
        reach = (
            min(cheek[0][0] - _BEYOND_MM - grow / 4, above_p - grow),
            max(cheek[-1][0] + _BEYOND_MM + grow / 4, above_p + 2 * grow),
        )
        wide = half_y + _BEYOND_MM + grow / 2
        sheet_g = (reach[1] - reach[0]) * 2 * wide * workshop.cheek_mm * wood
        sheet = (sheet_g, (sum(reach) / 2, -workshop.cheek_mm / 2))
        whole_g = above_g + sheet_g
        mass = (
            sum(grams * at[0] for grams, at in (*parts, sheet)) / whole_g,
            sum(grams * at[1] for grams, at in (*parts, sheet)) / whole_g,
        )
        feet = (
            (reach[0] + _FOOT_EDGE_MM, wide - _FOOT_EDGE_MM),
            (reach[0] + _FOOT_EDGE_MM, _FOOT_EDGE_MM - wide),
            (reach[1] - _FOOT_EDGE_MM, 0.0),
        )
        height = mass[1] + workshop.cheek_mm
        steady_deg = math.degrees(math.atan2(_inside_mm(feet, mass[0]), height))
        if steady_deg >= STEADY_DEG:
            return _Plan(reach, wide, feet, mass, whole_g, steady_deg)
        grow += _GROWTH_MM


def _inside_mm(feet: tuple[Foot, Foot, Foot], p: float) -> float:
    """How far (p, 0) lies inside the triangle of the feet; below 0 outside."""
    near = []
    for (p1, y1), (p2, y2) in pairwise((feet[0], feet[2], feet[1], feet[0])):
        long = math.hypot(p2 - p1, y2 - y1)
        near.append(((p2 - p1) * (0 - y1) - (y2 - y1) * (p - p1)) / -long)
    return min(near)


def _remarks(dial: Dial, wedge_deg: float, shading: bool) -> list[str]:
    pole = "north" if dial.site.hemisphere > 0 else "south"
    told = [f"The bed rises towards the {pole} celestial pole, by {wedge_deg:.3f} degrees."]
    if wedge_deg < 0.5:
        told.append(
            "On the equator the bed is level, and either pole would do; here it counts as northern."
        )
    if wedge_deg > 89.5:
        told.append(
            "At the pole the bed is upright, and no direction is the equator's by itself: the "
            "dial's x axis looks along the meridian of the site's longitude."
        )
    if shading:
        told.append(
            "Entries begin lower than the ledge is high: cut the ledge away where its shadow falls "
            "on one."
        )
    if wedge_deg > 60:
        told.append("So steep a bed carries little: tighten all bed screws before letting go.")
    return told


def rows(made: Base) -> list[tuple[str, float, str, str]]:
    """All dimensions: (name, value, unit, meaning)."""
    listed = [
        ("wedge angle", made.wedge_deg, "deg", "between bed and base plate"),
        ("bed length", math.dist(*made.bed), "mm", "along the slope to the ledge"),
        ("ledge height", made.ledge, "mm", "over the carrier"),
        ("cheek thickness", made.thick, "mm", "also the base plate's"),
        ("cheek middle y", made.cheek_y, "mm", "one on either side of the meridian"),
        ("plate length", made.plate_p[1] - made.plate_p[0], "mm", "along the meridian"),
        ("plate width", 2 * made.plate_y, "mm", "along y"),
        ("plate edge p, equator side", made.plate_p[0], "mm", "from the bed's lower end"),
        ("plate edge p, pole side", made.plate_p[1], "mm", "from the bed's lower end"),
        ("body mass", made.body_g, "g", "at the density of the workshop settings"),
        ("whole mass", made.whole_g, "g", "with carrier and base"),
        ("centre of mass p", made.mass[0], "mm", "on the meridian"),
        ("centre of mass up", made.mass[1], "mm", "over the base plate's upper side"),
        ("steady to", made.steady_deg, "deg", "tipped over the nearest line between two feet"),
        (
            "altitude per turn",
            made.altitude_deg_per_turn,
            "deg",
            "one turn up of foot 3 lifts the axis by so much",
        ),
        (
            "level per turn",
            made.level_deg_per_turn,
            "deg",
            (
                "one turn up of foot 1 tilts the whole across by so much, and lowers the axis by half "
                "of altitude per turn; foot 2 the other way across"
            ),
        ),
    ]
    for k, (p, up) in enumerate(made.cheek, 1):
        listed.append((f"cheek corner {k} p", p, "mm", "level towards the pole"))
        listed.append((f"cheek corner {k} up", up, "mm", "over the base plate's upper side"))
    for name, places in (
        ("foot", made.feet),
        ("cheek screw", made.cheek_screws),
        ("fixing hole", made.fixings),
    ):
        for k, (p, y) in enumerate(places, 1):
            listed.append((f"{name} {k} p", p, "mm", "level towards the pole"))
            listed.append((f"{name} {k} y", y, "mm", "from the meridian"))
    for k, way in enumerate(made.bed_screws, 1):
        listed.append((f"bed screw {k}", way, "mm", "from the ledge up the bed, in each cheek"))
    return listed


def base_csv(dial: Dial, made: Base) -> bytes:
    """base.csv: one dimension a line."""
    return table(
        stamp(dial),
        "Wedge and base: dimensions",
        [
            (
                "p is level towards the visible pole from the bed's lower end. up is from the base "
                "plate's upper side. y is east on a northern site and west on a southern one."
            ),
            *made.remarks,
        ],
        [
            ("name", "which dimension"),
            ("value", "its size"),
            ("unit", "mm or deg or g"),
            ("meaning", "how it is measured"),
        ],
        [[name, number(value, 3), unit, meaning] for name, value, unit, meaning in rows(made)],
    )


def drawing(dial: Dial, made: Base, side_only: bool = False) -> Drawing:
    """Side view of a cheek with the body in place, and below it the base plate from above."""
    drawn = Drawing(f"{dial.name}: wedge and base")
    drawn.line("cheek", made.cheek, closed=True)
    low, high = made.bed
    long = math.dist(low, high)
    along = ((high[0] - low[0]) / long, (high[1] - low[1]) / long)
    inwards = (along[1], -along[0])
    for way in made.bed_screws:
        start = _from(low, along, way)
        drawn.line("screw holes", [start, _from(start, inwards, 25.0)])
    drawn.line("body in place", made.body, closed=True)
    drawn.cross("centre of mass", made.mass, 6.0)
    p1, p2 = made.plate_p
    drawn.box("base plate", (p1, -made.thick), (p2, 0.0))
    for p in sorted({p for p, _ in made.feet}):
        drawn.box("feet", (p - made.foot / 2, -made.thick - 15), (p + made.foot / 2, -made.thick))
    drawn.say("notes", (low[0] + 30, low[1] - 8), f"wedge angle {made.wedge_deg:.3f} deg", 4.0)
    drawn.line("notes", [low, (low[0] + 45, low[1])])
    if side_only:
        return drawn
    shift = -made.thick - 45 - made.plate_y
    drawn.box("base plate", (p1, shift - made.plate_y), (p2, shift + made.plate_y))
    bottom = made.cheek[0][0], made.cheek[-1][0]
    for side in (-1, 1):
        middle = shift + side * made.cheek_y
        drawn.box(
            "body in place",
            (bottom[0], middle - made.thick / 2),
            (bottom[1], middle + made.thick / 2),
        )
    for k, (p, y) in enumerate(made.feet, 1):
        drawn.circle("feet", (p, shift + y), made.foot)
        drawn.say("notes", (p + made.foot, shift + y), f"foot {k}", 4.0)
    for p, y in made.cheek_screws:
        drawn.circle("screw holes", (p, shift + y), made.screw)
    for p, y in made.fixings:
        drawn.circle("screw holes", (p, shift + y), _FIXING_MM)
    drawn.cross("centre of mass", (made.mass[0], shift), 6.0)
    drawn.line("axes", [(p1, shift), (p2, shift)])
    east = "east" if dial.site.hemisphere > 0 else "west"
    for k, line in enumerate(
        (
            "Above: one of two cheeks from the side; the visible pole is to the right.",
            f"Below: base plate from above; +y ({east}) is up. Cheeks dashed.",
            (
                f"Cheeks and plate {made.thick:g} mm thick. Screw holes {made.screw:g} mm, feet "
                f"{made.foot:g} mm, fixing holes {_FIXING_MM:g} mm."
            ),
            *made.remarks,
        )
    ):
        drawn.say("notes", (p1, shift - made.plate_y - 10 - 6 * k), line, 3.5)
    return drawn
