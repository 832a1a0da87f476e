"""A solid as a file of triangles: 3MF, and STL for what reads nothing else.

Both hold the same mesh, in mm in the frame P. Its corners lie on a grid so coarse that a
file's short decimals and 32-bit floats keep them apart, so that whoever welds equal corners
gets back the closed surface that was written. That is checked before anything is written.
"""

from __future__ import annotations

import io
import math
import struct
import zipfile
from dataclasses import dataclass
from pathlib import Path
from xml.sax.saxutils import escape, quoteattr

import numpy as np
from manifold3d import Error, Manifold, Mesh64
from numpy.typing import NDArray

from dialbench.errors import UserError, inert
from dialbench.fabricate.solid import Solid

GRID_MM = 1e-4  # of bodies up to _FINE_MM; ten times coarser for each ten times more
HEADER_BYTES = 80  # of an STL file

# 3MF Core Specification 1.2.2 (its schema read, the list of names from memory): these
# metadata names need no prefix.
METADATA = (
    "Title",
    "Designer",
    "Description",
    "Copyright",
    "LicenseTerms",
    "Rating",
    "CreationDate",
    "ModificationDate",
    "Application",
)

_FINE_MM = 500.0  # 32-bit floats are 3e-5 apart up to 512
_TRIES = (1, 2, 5, 10, 20, 50)  # detail left out, in grids, until the surface closes
_VOLUME = 1e-4  # how much of its volume a mesh may gain or lose

_CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
_MODEL_PART = "3D/3dmodel.model"
_TYPES = (
    '<?xml version="1.0" encoding="UTF-8"?>\n'
    '<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types">\n'
    '<Default Extension="rels" '
    'ContentType="application/vnd.openxmlformats-package.relationships+xml"/>\n'
    '<Default Extension="model" '
    'ContentType="application/vnd.ms-package.3dmanufacturing-3dmodel+xml"/>\n'
    "</Types>\n"
)
_RELATIONS = (
    '<?xml version="1.0" encoding="UTF-8"?>\n'
    '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships">\n'
    f'<Relationship Id="model" Target="/{_MODEL_PART}" '
    'Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"/>\n'
    "</Relationships>\n"
)

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


class MeshError(UserError):
    """Why a solid cannot be written as triangles."""


@dataclass(frozen=True, eq=False)
class Mesh:
    """A closed surface: corners (n, 3) in mm on a grid, triangles (m, 3) of their places.

    Triangles run anticlockwise as seen from outside. Corners are in order of x, y, z, and
    triangles in order of their corners, whatever made them. places: decimals of a corner.
    """

    corners: Floats
    triangles: Ints
    places: int

    @property
    def volume_mm3(self) -> float:
        return _volume_mm3(self.corners, self.triangles)


def mesh_of(solid: Solid) -> Mesh:
    """The solid's triangles, fit for files; MeshError if they do not make a closed surface."""
    size_mm = float(np.abs(solid.manifold.bounding_box()).max())
    coarser = max(math.ceil(math.log10(size_mm / _FINE_MM)), 0)
    grid_mm, places = GRID_MM * 10**coarser, 4 - coarser
    fault = ""
    for grids in _TRIES:
        corners, triangles = _gridded(solid.manifold.simplify(grids * grid_mm), grid_mm)
        # Once more, for the grid has pressed slivers flat; no corner leaves it thereby.
        pressed = _built(corners, triangles)
        if pressed.status() == Error.NoError:
            corners, triangles = _gridded(pressed.simplify(grids * grid_mm), grid_mm)
        fault = _fault(corners, triangles, solid.volume_mm3)
        if not fault:
            return Mesh(corners, triangles, places)
    raise MeshError(
        f"bores: where they meet, walls come closer than {_TRIES[-1] * grid_mm:g} mm and "
        f"triangles cannot tell them apart ({fault}); move bores that nearly touch"
    )


def write_3mf(path: Path, solid: Solid, metadata: dict[str, str]) -> None:
    """Write a 3MF file (3MF Core Specification 1.2); the same input gives the same bytes.

    metadata: values of names in METADATA, ValueError for others. Raises MeshError.
    """
    path.write_bytes(threemf(mesh_of(solid), metadata))


def write_stl(path: Path, solid: Solid, header: str) -> None:
    """Write a binary STL file, which knows neither units (mm) nor names but this header.

    header: ASCII, at most HEADER_BYTES of it are kept. Raises MeshError.
    """
    path.write_bytes(stl(mesh_of(solid), header))


def threemf(mesh: Mesh, metadata: dict[str, str]) -> bytes:
    """The bytes of a 3MF file; see write_3mf."""
    stray = sorted(set(metadata) - set(METADATA))
    if stray:
        raise ValueError(f"no metadata of a 3MF file: {', '.join(stray)}")
    made = io.BytesIO()
    # Not compressed: that comes out differently from one build of zlib to another.
    with zipfile.ZipFile(made, "w", zipfile.ZIP_STORED) as package:
        for name, text in (
            ("[Content_Types].xml", _TYPES),
            ("_rels/.rels", _RELATIONS),
            (_MODEL_PART, _model(mesh, metadata)),
        ):
            part = zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0))
            part.create_system = 3
            part.external_attr = 0o100644 << 16
            package.writestr(part, text.encode("utf-8"))
    return made.getvalue()


def stl(mesh: Mesh, header: str) -> bytes:
    """The bytes of a binary STL file; see write_stl."""
    title = header.encode("ascii", "replace")
    if title.lower().startswith(b"solid"):  # as text files begin, and some readers ask no more
        title = b"A " + title
    points = mesh.corners[mesh.triangles]
    normals = np.cross(points[:, 1] - points[:, 0], points[:, 2] - points[:, 0])
    lengths = np.linalg.norm(normals, axis=1, keepdims=True)
    normals = np.divide(normals, lengths, out=np.zeros_like(normals), where=lengths > 0)
    rows = np.zeros(len(points), np.dtype([("facet", "<f4", (4, 3)), ("spare", "<u2")]))
    rows["facet"] = np.concatenate((normals[:, None], points), axis=1)
    start = title[:HEADER_BYTES].ljust(HEADER_BYTES, b" ") + struct.pack("<I", len(rows))
    return start + rows.tobytes()


def _model(mesh: Mesh, metadata: dict[str, str]) -> str:
    told = [
        f"<metadata name={quoteattr(name)}>{escape(inert(metadata[name]))}</metadata>\n"
        for name in METADATA
        if name in metadata
    ]
    corners = [
        '<vertex x="{}" y="{}" z="{}"/>\n'.format(*(_decimal(at, mesh.places) for at in corner))
        for corner in mesh.corners.tolist()
    ]
    triangles = [
        f'<triangle v1="{one}" v2="{two}" v3="{three}"/>\n'
        for one, two, three in mesh.triangles.tolist()
    ]
    parts = (
        '<?xml version="1.0" encoding="UTF-8"?>\n',
        f'<model unit="millimeter" xml:lang="en" xmlns="{_CORE}">\n',
        *told,
        '<resources>\n<object id="1" type="model">\n<mesh>\n<vertices>\n',
        *corners,
        "</vertices>\n<triangles>\n",
        *triangles,
        "</triangles>\n</mesh>\n</object>\n</resources>\n",
        '<build>\n<item objectid="1"/>\n</build>\n</model>\n',
    )
    return "".join(parts)


def _decimal(at_mm: float, places: int) -> str:
    text = f"{at_mm:.{places}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def _gridded(solid: Manifold, grid_mm: float) -> tuple[Floats, Ints]:
    """Corners put on the grid, equal ones made one; triangles without those gone flat thereby."""
    mesh = solid.to_mesh64()
    raw = np.asarray(mesh.vert_properties, np.float64)[:, :3]
    places, which = np.unique(np.rint(raw / grid_mm).astype(np.int64), axis=0, return_inverse=True)
    triangles = which.reshape(-1)[np.asarray(mesh.tri_verts, np.int64)]
    one, two, three = triangles.T
    triangles = triangles[(one != two) & (two != three) & (three != one)]
    used, triangles = np.unique(triangles, return_inverse=True)
    triangles = triangles.reshape(-1, 3)
    turn = (triangles.argmin(axis=1)[:, None] + np.arange(3)) % 3
    triangles = np.take_along_axis(triangles, turn, axis=1)
    # Divided, so that every corner is the double nearest to its decimals.
    return places[used] / round(1 / grid_mm), triangles[np.lexsort(triangles.T[::-1])]


def _built(corners: Floats, triangles: Ints) -> Manifold:
    return Manifold(Mesh64(corners, triangles.astype(np.uint64)))


def _fault(corners: Floats, triangles: Ints, volume_mm3: float) -> str:
    """What is wrong with a mesh as a file will hold it; empty if nothing is."""
    narrow = corners.astype(np.float32)
    if len(np.unique(narrow, axis=0)) < len(corners):
        return "corners fall together"
    count = len(corners)
    ahead = (triangles * count + np.roll(triangles, -1, axis=1)).reshape(-1)
    back = (np.roll(triangles, -1, axis=1) * count + triangles).reshape(-1)
    ahead.sort()
    back.sort()
    if (np.diff(ahead) == 0).any() or not np.array_equal(ahead, back):
        return "an edge has not just two sides"
    again = _built(narrow.astype(np.float64), triangles)
    if again.status() != Error.NoError:
        return f"{again.status().name}"
    if len(again.decompose()) != 1:
        return "the surface is not one"
    if abs(_volume_mm3(narrow.astype(np.float64), triangles) / volume_mm3 - 1) > _VOLUME:
        return "the volume is another"
    return ""


def _volume_mm3(corners: Floats, triangles: Ints) -> float:
    one, two, three = np.moveaxis(corners[triangles], 1, 0)
    return float(np.einsum("ij,ij->", one, np.cross(two, three)) / 6)
