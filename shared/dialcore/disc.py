"""The Sun's disc over a bore: its strips, their light, and what its width does to bends.

It has limb darkening I(mu) = 1 - 0.6 (1 - mu) (the coefficient from memory, for visible
light). Places on it count in solar radii from its middle, light as a share of its own.
Slopes are those of `dialcore.bores`, and maths `m` as there.
"""

from dialcore.compat import Any

LIMB = 0.6
DISC = 1 - LIMB / 3  # light of the darkened disc, in that of one without limb darkening, / pi
_SECOND = (1 - LIMB) / 4 + LIMB * 2 / 15  # its mean square radius, before division
_SPREAD = _SECOND / ((1 - LIMB) / 2 + LIMB / 3) / 2  # of it, what falls on one direction


def positive(x: Any) -> Any:
    """x where it is above 0, else 0."""
    return (x + abs(x)) / 2


def held(x: Any) -> Any:
    """x, not negative, held to 1; unlike clip right to the last digit or so however large."""
    return 2 * x / (x + 1 + abs(x - 1))


def bow(c: Any, m: Any) -> Any:
    """Integral from c, of 0..1, to 1 of (x - c) 2 sqrt(1 - x^2)."""
    left = positive(1 - c)
    # acos c by its half: as good near 1 as anywhere, and never of more than 1.
    return m.sqrt(left * (1 + c)) * (2 + c * c) / 3 - 2 * c * m.asin(m.sqrt(left / 2))


def _rest(c: Any, m: Any) -> Any:
    """Mean over the darkened disc of max(0, place - c), c from 0 to 1."""
    left = 1 - c
    even = bow(c, m)
    dark = m.pi / 24 * left * left * left * (3 + c)
    return ((1 - LIMB) * even + LIMB * dark) / (m.pi * DISC)


def ramp(x: Any, m: Any) -> Any:
    """Mean over the darkened disc of max(0, x + place), places in solar radii across it.

    The second integral of how much of the disc's light each strip of it has.
    """
    return positive(x) + _rest(held(abs(x)), m)


def beyond(x: Any, m: Any) -> Any:
    """Share of the darkened disc's light that lies farther across it than x solar radii."""
    c = (abs(x - 1) - abs(x + 1)) / 2  # as much as lies before -x
    q = 1 - c * c
    root = m.sqrt(positive(q))
    even = c * root + m.asin(c) + m.pi / 2
    dark = m.pi / 2 * (c - c * c * c / 3 + 2 / 3)
    return ((1 - LIMB) * even + LIMB * dark) / (m.pi * DISC)


def light(place: Any, m: Any) -> Any:
    """Light of the darkened disc, of 1 in all, per solar radius across it; place in -1..1."""
    square = positive(1 - place * place)
    even = 2 * (1 - LIMB) * m.sqrt(square)
    return (even + LIMB * m.pi / 2 * square) / (m.pi * DISC)


def in_front(along: Any) -> Any:
    """s.a where it is above 0, and hardly more than that where not."""
    return positive(along) + (along <= 0) * 1e-9


def seen(along: Any, across: Any, semidiameter: Any) -> Any:
    """(slope, radius) of the Sun across a bore: s.u / s.a, and the disc's radius over s.a.

    For s.a > 0.
    """
    return across / along, semidiameter * (1 + semidiameter * semidiameter / 3) / along


def mean(slope: Any, radius: Any) -> Any:
    """Mean slope of the disc: away from the axis slopes grow faster and faster."""
    return slope * (1 + _SPREAD * radius * radius)


def blurred(slope: Any, radius: Any, bend: Any, m: Any) -> Any:
    """What the Sun's width adds, by slope, where light that falls with it has a bend.

    Nothing unless the disc lies over the bend. slope is the disc's mean.
    """
    lean = m.sqrt(1 + bend * bend)
    blur = radius * lean
    x = (bend - slope) / blur
    c = held(abs(x))
    square = 1 - c * c
    cube = square * m.sqrt(positive(square))
    # Strips farther from the axis are seen narrower. Of how much that matters this is
    # true to 3%, which is 1e-6 of the light.
    skew = (abs(x - 1) - abs(x + 1)) / 2 * cube * (0.0438 - 0.0132 * c * c)
    return blur * (_rest(c, m) + radius * bend / lean * skew)


def strip(place: Any, along: Any, across: Any, semidiameter: Any, m: Any) -> Any:
    """(slope across, cosine, share): a strip of the disc, cut along the bore's v and its axis.

    place is the strip's in solar radii from the disc's middle. All of it has one slope
    across the bore, that of a direction so far from the axis that its cosine is the one
    told; share is the length on the strip's sphere that is left for a and u, for strip_lit.
    """
    off = place * semidiameter * (1 + semidiameter * semidiameter / 3)
    off = off / m.sqrt(1 + off * off)
    square = along * along + across * across
    left = square - off * off
    left = m.sqrt(positive(left) + 1e-12)
    front = in_front((along * left - across * off) / square)
    return (across * left + along * off) / square / front, front, left
