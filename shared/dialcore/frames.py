"""Directions of the Sun and rotations of the body, as plain 3-tuples.

Frames (right-handed, unit vectors):

- ENU: east, north, up at the site.
- P, the nominal frame of a polar body: z to the visible celestial pole, x to the
  upper crossing of equator and meridian, y completes it: east for a northern
  site, west for a southern one.
- D, the body as it really stands: P turned by a small rotation vector
  w = (wx, wy, wz) about P's axes, right-hand rule.

`hemisphere` is +1 for a northern and -1 for a southern site. With hour angle H
(positive after noon) and declination d (positive north) the Sun in P is
(cos d cos H, -s cos d sin H, s sin d), s the hemisphere: a southern dial meets
the Sun with H and d mirrored, and a positive turn wz, which carries x towards
y, makes every crossing earlier in the north and later in the south.

Functions take their maths as the argument `m` (the module math on the board,
numpy on the host), so that scalars and arrays go through one formula.
"""

from dialcore.compat import Any


def direction(hour_angle: Any, declination: Any, hemisphere: Any, m: Any) -> Any:
    """Unit vector in P of a place in the sky; both angles in radians."""
    c = m.cos(declination)
    return (
        c * m.cos(hour_angle),
        -hemisphere * c * m.sin(hour_angle),
        hemisphere * m.sin(declination),
    )


def place(vector: Any, hemisphere: Any, m: Any) -> Any:
    """Hour angle and declination in radians of a unit vector in P (inverse of direction)."""
    x, y, z = vector
    return (
        m.atan2(-hemisphere * y, x),
        m.atan2(hemisphere * z, m.sqrt(x * x + y * y)),
    )


def polar_from_enu(latitude: Any, m: Any) -> Any:
    """3x3 matrix (three row tuples) that takes ENU to P; latitude in radians.

    The equator counts as northern.
    """
    c = m.cos(latitude)
    s = m.sin(latitude)
    if latitude >= 0:
        return ((0.0, -s, c), (1.0, 0.0, 0.0), (0.0, c, s))
    return ((0.0, -s, c), (-1.0, 0.0, 0.0), (0.0, -c, -s))


def rotation(wx: Any, wy: Any, wz: Any, m: Any) -> Any:
    """3x3 matrix of the rotation by the vector (wx, wy, wz), radians, right-hand rule.

    Full rotation (Rodrigues), not its first order. Scalars only.
    """
    angle = m.sqrt(wx * wx + wy * wy + wz * wz)
    if angle < 1e-12:
        return ((1.0, -wz, wy), (wz, 1.0, -wx), (-wy, wx, 1.0))
    x = wx / angle
    y = wy / angle
    z = wz / angle
    s = m.sin(angle)
    half = m.sin(angle / 2)
    k = 2 * half * half  # 1 - cos(angle), without its cancellation
    return (
        (1 - k * (y * y + z * z), k * x * y - s * z, k * x * z + s * y),
        (k * x * y + s * z, 1 - k * (x * x + z * z), k * y * z - s * x),
        (k * x * z - s * y, k * y * z + s * x, 1 - k * (x * x + y * y)),
    )


def apply(matrix: Any, vector: Any) -> Any:
    """matrix times vector; the vector's components may be arrays."""
    a, b, c = matrix
    x, y, z = vector
    return (
        a[0] * x + a[1] * y + a[2] * z,
        b[0] * x + b[1] * y + b[2] * z,
        c[0] * x + c[1] * y + c[2] * z,
    )


def transpose(matrix: Any) -> Any:
    """The transposed (for a rotation: inverse) 3x3 matrix."""
    a, b, c = matrix
    return (
        (a[0], b[0], c[0]),
        (a[1], b[1], c[1]),
        (a[2], b[2], c[2]),
    )


def dot(a: Any, b: Any) -> Any:
    """Scalar product; components may be arrays."""
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
