"""A solid as a picture: seen from the sky on the left, and from its face on the right.

Drawn with numpy alone: triangles into a buffer of depths, light from over the viewer's left
shoulder, lines where the surface bends or breaks off. What lies on the body's own outside is
light, the walls of bores are dark and warm.
"""

from __future__ import annotations

import struct
import zlib

import numpy as np
from numpy.typing import NDArray

from dialbench.fabricate.solid import Solid

_VIEW_PX = 640  # each of the two views, square
_FINE = 2  # times as fine as it is shown, both ways
_MARGIN = 0.06  # of a view
_SKIN_MM = 1e-3  # how far what lies on the outside may be from the convex hull
_SHARP = 0.94  # cosine of the angle from which on a bend has a line
_BREAK = 0.01  # of the body's size: a break in depth that has a line
_SPECK_PX = 12.0  # triangles of a smaller area have no lines of their own

_PAPER = np.array([1.0, 1.0, 1.0])
_OUTSIDE = np.array([0.78, 0.82, 0.86])
_WALL = np.array([0.80, 0.50, 0.30])
_LINE = np.array([0.13, 0.15, 0.18])
_LIGHT = np.array([-0.45, 0.60, 0.66])  # right, up, towards the viewer

# Where the viewer stands, in P, seen from the body; the pole is up.
_VIEWS = ((1.0, 0.55, 0.50), (-1.0, -0.45, 0.35))

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bytes = NDArray[np.uint8]


def picture_of(solid: Solid) -> bytes:
    """The bytes of a PNG of two square views side by side; the same for the same solid."""
    mesh = solid.manifold.to_mesh64()
    corners = np.asarray(mesh.vert_properties, np.float64)[:, :3]
    triangles = corners[np.asarray(mesh.tri_verts, np.int64)]
    outside = _on_outside(solid, triangles)
    views = [_seen(triangles, outside, np.array(place)) for place in _VIEWS]
    return _png(np.concatenate(views, axis=1))


def _on_outside(solid: Solid, triangles: Floats) -> NDArray[np.bool_]:
    """Which triangles (n, 3, 3) lie on the convex hull: a body without its bores is convex."""
    hull = solid.manifold.hull().to_mesh64()
    corners = np.asarray(hull.vert_properties, np.float64)[:, :3]
    planes = corners[np.asarray(hull.tri_verts, np.int64)]
    normals = _normals(planes)
    levels = np.einsum("ij,ij->i", normals, planes[:, 0])
    middles = triangles.mean(axis=1)
    found = np.zeros(len(triangles), np.bool_)
    for normal, level in zip(normals, levels, strict=True):
        found |= middles @ normal > level - _SKIN_MM
    return found


def _seen(triangles: Floats, outside: NDArray[np.bool_], place: Floats) -> Bytes:
    """One view as pixels (height, width, 3)."""
    back = place / np.linalg.norm(place)
    right = np.cross((0.0, 0.0, 1.0), back)
    right /= np.linalg.norm(right)
    turned = triangles @ np.array([right, np.cross(back, right), back]).T
    size = _VIEW_PX * _FINE
    low, high = turned.min(axis=(0, 1)), turned.max(axis=(0, 1))
    span = float((high - low)[:2].max())
    turned[..., :2] -= (low + high)[:2] / 2
    scale = size * (1 - 2 * _MARGIN) / span
    pixels = turned * scale
    pixels[..., 0] += size / 2
    pixels[..., 1] = size / 2 - pixels[..., 1]
    normals = _normals(turned)
    one, other = pixels[:, 1, :2] - pixels[:, 0, :2], pixels[:, 2, :2] - pixels[:, 0, :2]
    speck = np.abs(one[:, 0] * other[:, 1] - one[:, 1] * other[:, 0]) < 2 * _SPECK_PX
    depth, which = _drawn(pixels, normals, size)
    bright = 0.45 + 0.55 * np.clip(normals @ (_LIGHT / np.linalg.norm(_LIGHT)), 0, 1)
    tones = np.where(outside[:, None], _OUTSIDE, _WALL) * bright[:, None]
    # What shows nothing is -1, and finds paper at the end.
    colour = np.concatenate((tones, _PAPER[None])).astype(np.float32)[which]
    colour[_lines(depth / scale, which, normals, speck, span)] = _LINE
    coarse = colour.reshape(_VIEW_PX, _FINE, _VIEW_PX, _FINE, 3).mean(axis=(1, 3))
    shown: Bytes = np.rint(255 * coarse).astype(np.uint8)
    return shown


def _drawn(pixels: Floats, normals: Floats, size: int) -> tuple[Floats, Ints]:
    """Depth (size, size), larger nearer, and the triangle that each pixel shows, or -1."""
    depth = np.full((size, size), -np.inf)
    which = np.full((size, size), -1)
    for k in np.flatnonzero(normals[:, 2] > 0):
        (ax, ay, az), (bx, by, bz), (cx, cy, cz) = pixels[k].tolist()
        x = np.arange(max(int(min(ax, bx, cx)), 0), min(int(max(ax, bx, cx)) + 2, size))
        y = np.arange(max(int(min(ay, by, cy)), 0), min(int(max(ay, by, cy)) + 2, size))
        area = (bx - ax) * (cy - ay) - (by - ay) * (cx - ax)
        if area == 0:
            continue
        px, py = x[None, :] + 0.5, y[:, None] + 0.5
        b = ((px - ax) * (cy - ay) - (py - ay) * (cx - ax)) / area
        c = ((py - ay) * (bx - ax) - (px - ax) * (by - ay)) / area
        level = az + b * (bz - az) + c * (cz - az)
        patch = np.s_[y[0] : y[-1] + 1, x[0] : x[-1] + 1]
        nearer = (b >= 0) & (c >= 0) & (b + c <= 1) & (level > depth[patch])
        depth[patch][nearer] = level[nearer]
        which[patch][nearer] = k
    return depth, which


def _lines(
    depth: Floats, which: Ints, normals: Floats, speck: NDArray[np.bool_], span: float
) -> NDArray[np.bool_]:
    """Which pixels lie on a line: where the body ends, breaks off in depth, or bends."""
    body = which >= 0
    depth = np.where(body, depth, 0.0)
    normal = normals.astype(np.float32)[which]
    plain = body & ~speck[which]
    line = np.zeros_like(body)
    for here, there in (
        (np.s_[:-1], np.s_[1:]),
        (np.s_[:, :-1], np.s_[:, 1:]),
    ):
        bend = np.einsum("ijk,ijk->ij", normal[here], normal[there]) < _SHARP
        step = np.abs(depth[here] - depth[there]) > _BREAK * span
        line[here] |= body[here] != body[there]
        line[here] |= (body[here] & body[there] & step) | (plain[here] & plain[there] & bend)
    return line


def _normals(triangles: Floats) -> Floats:
    across = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    lengths = np.linalg.norm(across, axis=1, keepdims=True)
    normals: Floats = np.divide(across, lengths, out=np.zeros_like(across), where=lengths > 0)
    return normals


def _png(pixels: Bytes) -> bytes:
    """Pixels (height, width, 3) as a PNG (ISO/IEC 15948, from memory), 8 bits a colour."""
    height, width, _ = pixels.shape
    # Every row begins with its filter: 0, none.
    rows = np.pad(pixels.reshape(height, 3 * width), ((0, 0), (1, 0)))
    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    chunks = ((b"IHDR", head), (b"IDAT", zlib.compress(rows.tobytes(), 9)), (b"IEND", b""))
    return b"\x89PNG\r\n\x1a\n" + b"".join(
        struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
        for kind, data in chunks
    )
