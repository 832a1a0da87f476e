"""How much of a bore's exit the Sun lights: one formula for board and host.

A bore runs from its exit (at the channel) to its entry (at the body's surface),
`length` apart. Its own frame is (a, u, v): a along the axis towards the sky, u
across it towards growing hour angle, v across it towards growing declination.
A ray towards the Sun s is described by two slopes, tan_u = s.u / s.a and
tan_v = s.v / s.a, where s.a > 0; from behind, nothing is lit.

A slot's walls across hour angle end where they meet the body's surface. Where that is not
square to the axis they end at different distances along it, `walls`: that of the wall
towards growing hour angle, and that of the other. Unless told, both end at `length`. For a
round bore's entry there is `tilt`: by how much the surface is farther along the axis a way
of 1 across it, along u and v.

The *lit fraction* is the direct light at the exit as a fraction of the
unobstructed beam, 0..1. Functions take their maths `m` (math or numpy) and serve
scalars and arrays alike; lengths may be in any one unit.

The Sun is a disc with limb darkening I(mu) = 1 - 0.6 (1 - mu) (the coefficient
from memory, for visible light). Averages over it are good to a few millionths: what one
bundle of rays lights is made of straight pieces, the disc only rounds the bends between
them, and for that there is a closed form.
"""

from dialcore import disc, frames
from dialcore.compat import Any

# Gauss-Legendre on 0..1, eight points (place, weight).
_GAUSS = (
    (0.019855071751231884, 0.050614268145188130),
    (0.101666761293186630, 0.111190517226687240),
    (0.237233795041835500, 0.156853322938943640),
    (0.408282678752175100, 0.181341891689180990),
    (0.591717321247824900, 0.181341891689180990),
    (0.762766204958164500, 0.156853322938943640),
    (0.898333238706813400, 0.111190517226687240),
    (0.980144928248768100, 0.050614268145188130),
)


# The same, six points.
_GAUSS_FEW = (
    (0.033765242898424030, 0.085662246189585137),
    (0.169395306766867759, 0.180380786524069359),
    (0.380690406958401562, 0.233956967286345519),
    (0.619309593041598494, 0.233956967286345519),
    (0.830604693233132241, 0.180380786524069359),
    (0.966234757101575914, 0.085662246189585137),
)


def axes(hour_angle: Any, declination: Any, hemisphere: Any, m: Any) -> Any:
    """Unit vectors (a, u, v) in P of a bore whose axis points at a place in the sky.

    Angles in radians; scalars or arrays (then u's third component stays a scalar 0).
    """
    sh = m.sin(hour_angle)
    ch = m.cos(hour_angle)
    sd = m.sin(declination)
    return (
        frames.direction(hour_angle, declination, hemisphere, m),
        (-sh, -hemisphere * ch, 0.0),
        (-sd * ch, hemisphere * sd * sh, hemisphere * m.cos(declination)),
    )


def clip(x: Any, high: Any) -> Any:
    """x held to 0..high, spelt so that scalars and arrays both pass."""
    over = x - high
    return ((x + abs(x)) - (over + abs(over))) / 2


def least(a: Any, b: Any) -> Any:
    """The smaller of a and b, spelt so that scalars and arrays both pass."""
    return (a + b - abs(a - b)) / 2


def slit(slope: Any, exit_size: Any, entry_size: Any, length: Any, walls: Any = None) -> Any:
    """Share 0..1 of a slit's exit that one bundle of parallel rays lights.

    slope is the tangent of the angle from the axis across the slit; exit_size and
    entry_size are its clear widths at the two ends. A wall shuts out what the rays, leaning
    towards it more than it leans outwards, are moved by on the way to its end.
    """
    late, early = walls or (length, length)
    widen = (entry_size - exit_size) / (2 * length)
    shut = late * disc.positive(slope - widen) + early * disc.positive(-slope - widen)
    return disc.positive(exit_size - shut) / exit_size


def apart(slope: Any, exit_size: Any, entry_size: Any, length: Any, tilt: Any, m: Any) -> Any:
    """How far apart a round bore's exit and entry seem to one bundle of parallel rays.

    slope as for hole. The surface at the entry is the farther along the axis the more to the
    side to which the rays lean, by tilt. On average over the wall that cuts the rays, that
    moves it as if the circles were so far apart; good to the square of tilt.
    """
    r = exit_size / 2
    q = entry_size / 2
    d = length * abs(slope)
    safe = d + (d == 0) * (1e-6 * r)
    cosine = clip((safe * safe + q * q - r * r) / (2 * safe * q) + 1, 2) - 1
    sine = m.sqrt(disc.positive(1 - cosine * cosine)) + 1e-6
    share = clip((m.acos(cosine) + sine * cosine + 1e-6) / (2 * sine), 2)
    moved = q * tilt * (abs(slope) * share - (entry_size - exit_size) / (2 * length))
    return disc.positive(d + moved)


def hole(slope: Any, exit_size: Any, entry_size: Any, length: Any, m: Any, tilt: Any = None) -> Any:
    """Share 0..1 of a round exit that one bundle of parallel rays lights.

    slope is the tangent of the angle from the axis; sizes are diameters. The lit
    part is the overlap of the exit with the shifted entry: two circles. tilt as for apart.
    """
    r = exit_size / 2
    q = entry_size / 2
    d = length * abs(slope)
    if tilt is not None:
        d = apart(slope, exit_size, entry_size, length, tilt, m)
    # Between touching inside and touching outside the lens formula holds; held to
    # those two ends it also gives the smaller circle whole, and nothing.
    inside = abs(r - q)
    d = inside + clip(d - inside, r + q - inside)
    d = d + (d == 0) * (1e-6 * r)
    at_exit = clip((d * d + r * r - q * q) / (2 * d * r) + 1, 2) - 1
    at_entry = clip((d * d + q * q - r * r) / (2 * d * q) + 1, 2) - 1
    kite = (r + q - d) * (d + r - q) * (d - r + q) * (d + r + q)
    kite = (kite + abs(kite)) / 2
    lens = r * r * m.acos(at_exit) + q * q * m.acos(at_entry) - m.sqrt(kite) / 2
    return lens / (m.pi * r * r)


def slit_lit(
    slope: Any,
    radius: Any,
    exit_size: Any,
    entry_size: Any,
    length: Any,
    m: Any,
    walls: Any = None,
) -> Any:
    """Share 0..1 of a slit's exit that the whole Sun lights; slope and radius as seen.

    Exact but for about 1e-6: what a point Sun lights, and the rounding of its four bends.
    """
    slope = disc.mean(slope, radius)
    widen = (entry_size - exit_size) / (2 * length)
    late, early = walls or (length, length)
    lit = slit(slope, exit_size, entry_size, length, walls)
    for side, wall in ((slope, late), (-slope, early)):
        dark = disc.blurred(side, radius, widen + exit_size / wall, m)
        lit = lit + (dark - disc.blurred(side, radius, widen, m)) * (wall / exit_size)
    return clip(lit, 1)


def slot_lit(
    along: Any,
    across: Any,
    beside: Any,
    semidiameter: Any,
    exit_size: Any,
    entry_size: Any,
    length: Any,
    opening: Any,
    m: Any,
    walls: Any = None,
) -> Any:
    """Lit fraction 0..1 of a slot under the Sun's disc.

    along, across, beside: the Sun's components s.a, s.u, s.v; semidiameter and
    opening (full angle in declination) in radians. The slot's exit is exit_size
    square; in declination its walls spread so that a point Sun anywhere within the
    opening lights the exit's full height. The disc is averaged across both
    directions separately: exact wherever one of them is fully open or fully shut,
    elsewhere see slot_corner_lit.
    """
    entry_height = exit_size + 2 * length * m.tan(opening / 2)
    front = disc.in_front(along)
    slope, radius = disc.seen(front, across, semidiameter)
    width = slit_lit(slope, radius, exit_size, entry_size, length, m, walls)
    slope, radius = disc.seen(front, beside, semidiameter)
    return width * slit_lit(slope, radius, exit_size, entry_height, length, m) * (along > 0)


def strip_lit(
    place: Any,
    cosine: Any,
    share: Any,
    beside: Any,
    semidiameter: Any,
    exit_size: Any,
    opening: Any,
    length: Any,
    m: Any,
) -> Any:
    """Share 0..1 of the light of one strip of the disc that the walls in declination let in.

    place, cosine, share as for strip. Exact.
    """
    size = semidiameter * (1 + semidiameter * semidiameter / 3)
    near = 1 / (1 + place * place * size * size)
    root = m.sqrt(near)
    half = 1 - place * place
    half = m.sqrt(disc.positive(half)) + 1e-6
    full = m.tan(opening / 2)
    dark = full + exit_size / length
    total = 0.0
    for bend, sign in ((-dark, 1), (-full, -1), (full, -1), (dark, 1)):
        # r.v less bend times r.a on the strip is a linear function of the way along it.
        steep = size * (share + bend * cosine * beside) / root
        c = disc.held(abs(beside - bend * cosine * share) / (near * abs(steep) * half + 1e-12))
        rest = (1 - disc.LIMB) * (1 - c) * (1 - c) + disc.LIMB * half * disc.bow(c, m)
        total = total + sign * abs(steep) * rest
    total = total * half * half / 2 * near / share / cosine * (length / exit_size)
    light = 2 * (1 - disc.LIMB) * half + disc.LIMB * m.pi / 2 * half * half
    height = exit_size + 2 * length * full
    point = slit(beside / (cosine * share), exit_size, height, length)
    return point + total / light


def slot_corner_lit(
    along: Any,
    across: Any,
    beside: Any,
    semidiameter: Any,
    exit_size: Any,
    entry_size: Any,
    length: Any,
    opening: Any,
    m: Any,
    walls: Any = None,
) -> Any:
    """The same as slot_lit, also where neither direction is fully open or shut; slower.

    Along every strip of the disc on which the slope across is the same, the average is
    exact; across the strips it is a Gauss rule from one bend to the next.
    """
    front = disc.in_front(along)
    slope, radius = disc.seen(front, across, semidiameter)
    widen = (entry_size - exit_size) / (2 * length)
    late, early = walls or (length, length)
    bends = [-1.0, 1.0]
    for bend in (-widen - exit_size / early, -widen, widen, widen + exit_size / late):
        bends.append((bend - slope) / (radius * m.sqrt(1 + bend * bend)))
    # Walls in declination add a bend at either end of the chord that they cut.
    rise = abs(beside) / front
    for bend in (m.tan(opening / 2), m.tan(opening / 2) + exit_size / length):
        c = disc.held(abs(bend - rise) / (radius * m.sqrt(1 + bend * bend)))
        cut = m.sqrt(disc.positive(1 - c * c))
        bends += [-cut, cut]
    turns = _in_order([m.asin(clip(x + 1, 2) - 1) for x in bends])
    total = 0.0
    for k in range(len(turns) - 1):
        step = turns[k + 1] - turns[k]
        for place, weight in _GAUSS_FEW:
            turn = turns[k] + step * place
            x = m.sin(turn)
            tilt, cosine, share = disc.strip(x, front, across, semidiameter, m)
            lit = strip_lit(x, cosine, share, beside, semidiameter, exit_size, opening, length, m)
            lit = lit * slit(tilt, exit_size, entry_size, length, walls)
            total = total + weight * step * m.cos(turn) * disc.light(x, m) * lit
    return clip(total, 1) * (along > 0)


def _in_order(values: Any) -> Any:
    """A list in ascending order, spelt so that scalars and arrays both pass."""
    values = list(values)
    for end in range(len(values) - 1, 0, -1):
        for k in range(end):
            low = least(values[k], values[k + 1])
            values[k + 1] = values[k] + values[k + 1] - low
            values[k] = low
    return values


def round_lit(
    along: Any,
    across: Any,
    beside: Any,
    semidiameter: Any,
    exit_size: Any,
    entry_size: Any,
    length: Any,
    m: Any,
    tilt: Any = None,
) -> Any:
    """Lit fraction 0..1 of a round bore under the Sun's disc; arguments as slot_lit, and tilt.

    Ring by ring about the axis: of each, the arc that lies on the Sun counts with its
    light, exactly on the sphere. Rings go from one bend to the next: where the exit
    begins to be cut, where the disc ends to hold whole rings, where all is dark.
    """
    aside = m.sqrt(across * across + beside * beside)
    off = m.atan2(aside, along)
    farthest, towards = length, None
    if tilt is not None:
        towards = (tilt[0] * across + tilt[1] * beside) / (aside + (aside == 0))
        farthest = length + entry_size / 2 * towards
    size = m.sin(semidiameter / 2)
    size = size * size
    near = off - semidiameter
    near = (near + abs(near)) / 2
    far = off + semidiameter

    def held(angle: Any) -> Any:
        return near + clip(angle - near, far - near)

    cut = held(m.atan(abs(entry_size - exit_size) / (2 * length)))
    whole = held(abs(semidiameter - off))
    end = held(m.atan((entry_size - exit_size) / (2 * length) + exit_size / farthest))
    inner = least(least(cut, whole), end)
    outer = least(cut + whole - least(cut, whole), end)
    total = 0.0
    for first, last in ((near, inner), (inner, outer), (outer, end)):
        for place, weight in _GAUSS:
            # Denser towards both ends, where rings leave the disc and arcs end.
            turn = m.sin(m.pi / 2 * place)
            ring = first + (last - first) * turn * turn
            dense = m.pi * turn * m.cos(m.pi / 2 * place) * (last - first)
            apart = m.sin((off - ring) / 2)
            apart = apart * apart
            product = m.sin(off) * m.sin(ring)
            product = product + (product < 1e-12) * 1e-12
            arc = 2 * m.asin(m.sqrt(clip((size - apart) / product, 1)))
            light = 0.0
            leaning = 0.0
            for step, share in _GAUSS:
                bow = m.sin(arc * m.sin(m.pi / 2 * step) / 2)
                left = clip(1 - (apart + product * bow * bow) / size, 1)
                part = 1 - disc.LIMB + disc.LIMB * m.sqrt(left)
                part = share * m.cos(m.pi / 2 * step) * part
                light = light + part
                leaning = leaning + part * (1 - 2 * bow * bow)
            # How far the surface is, on average over the ring's arc.
            lean = None if towards is None else towards * leaning / light
            lit = hole(m.tan(ring), exit_size, entry_size, length, m, lean)
            total = total + weight * dense * m.sin(ring) * lit * light * arc
    total = total * m.pi / (4 * m.pi * size * disc.DISC)
    return clip(total, 1) * (along > 0)
