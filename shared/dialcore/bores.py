"""How much of a bore's exit the Sun lights: one formula for board and host.

A bore runs from its exit (at the channel) to its entry (at the body's surface),
`length` apart. Its own frame is (a, u, v): a along the axis towards the sky, u
across it towards growing hour angle, v across it towards growing declination.
A ray towards the Sun s is described by two slopes, tan_u = s.u / s.a and
tan_v = s.v / s.a, where s.a > 0; from behind, nothing is lit.

The *lit fraction* is the direct light at the exit as a fraction of the
unobstructed beam, 0..1. Functions take their maths `m` (math or numpy) and serve
scalars and arrays alike; lengths may be in any one unit.

The Sun is a disc with limb darkening I(mu) = 1 - 0.6 (1 - mu) (the coefficient
from memory, for visible light).
"""

from dialcore import frames
from dialcore.compat import Any

# Gauss rule for the darkened disc cut into strips: (offset in solar radii, weight).
DISC_STRIPS = (
    (-0.946417992, 0.014567368),
    (-0.800158485, 0.060958770),
    (-0.578599454, 0.128499922),
    (-0.303304949, 0.189186188),
    (0.0, 0.213575505),
    (0.303304949, 0.189186188),
    (0.578599454, 0.128499922),
    (0.800158485, 0.060958770),
    (0.946417992, 0.014567368),
)

# The same disc in rings of six points: (radius, first angle in turns, weight of one point).
_RINGS = (
    (0.325720454, 0.0, 0.052889300),
    (0.691264087, 1 / 12, 0.075506201),
    (0.932913250, 0.0, 0.038271165),
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


def slit(slope: Any, exit_size: Any, entry_size: Any, length: Any) -> Any:
    """Share 0..1 of a slit's exit that one bundle of parallel rays lights.

    slope is the tangent of the angle from the axis across the slit; exit_size and
    entry_size are its clear widths at the two ends.
    """
    lit = clip((exit_size + entry_size) / 2 - length * abs(slope), least(exit_size, entry_size))
    return lit / exit_size


def hole(slope: Any, exit_size: Any, entry_size: Any, length: Any, m: Any) -> Any:
    """Share 0..1 of a round exit that one bundle of parallel rays lights.

    slope is the tangent of the angle from the axis; sizes are diameters. The lit
    part is the overlap of the exit with the shifted entry: two circles.
    """
    r = exit_size / 2
    q = entry_size / 2
    # Between touching inside and touching outside the lens formula holds; held to
    # those two ends it also gives the smaller circle whole, and nothing.
    inside = abs(r - q)
    d = inside + clip(length * abs(slope) - inside, r + q - inside)
    d = d + (d == 0) * (1e-6 * r)
    at_exit = clip((d * d + r * r - q * q) / (2 * d * r) + 1, 2) - 1
    at_entry = clip((d * d + q * q - r * r) / (2 * d * q) + 1, 2) - 1
    kite = (r + q - d) * (d + r - q) * (d - r + q) * (d + r + q)
    kite = (kite + abs(kite)) / 2
    lens = r * r * m.acos(at_exit) + q * q * m.acos(at_entry) - m.sqrt(kite) / 2
    return lens / (m.pi * r * r)


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
) -> Any:
    """Lit fraction 0..1 of a slot under the Sun's disc.

    along, across, beside: the Sun's components s.a, s.u, s.v; semidiameter and
    opening (full angle in declination) in radians. The slot's exit is exit_size
    square; in declination its walls spread so that a point Sun anywhere within the
    opening lights the exit's full height. The disc is averaged across both
    directions separately: exact wherever one of them is fully open or fully shut.
    """
    entry_height = exit_size + 2 * length * m.tan(opening / 2)
    front = (along + abs(along)) / 2 + (along <= 0) * 1e-9
    width = 0.0
    height = 0.0
    for offset, weight in DISC_STRIPS:
        step = offset * semidiameter
        width = width + weight * slit((across + step) / front, exit_size, entry_size, length)
        height = height + weight * slit((beside + step) / front, exit_size, entry_height, length)
    return width * height * (along > 0)


def round_lit(
    along: Any,
    across: Any,
    beside: Any,
    semidiameter: Any,
    exit_size: Any,
    entry_size: Any,
    length: Any,
    m: Any,
) -> Any:
    """Lit fraction 0..1 of a round bore under the Sun's disc; arguments as slot_lit."""
    front = (along + abs(along)) / 2 + (along <= 0) * 1e-9
    total = 0.0
    for radius, first, weight in _RINGS:
        for k in range(6):
            turn = 2 * m.pi * (first + k / 6)
            x = across + radius * m.cos(turn) * semidiameter
            y = beside + radius * m.sin(turn) * semidiameter
            slope = m.sqrt(x * x + y * y) / front
            total = total + weight * hole(slope, exit_size, entry_size, length, m)
    return total * (along > 0)
