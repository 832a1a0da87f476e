"""Files of the made body, read back by another library: trimesh, as any slicer might.

Of Dialbench nothing is in the checks but the values that describe a dial. An STL file holds
32-bit floats by its format; a 3MF file's decimals are read into 32 bits here as well.
"""

import math
from itertools import pairwise

import numpy as np
import pytest
import trimesh
from tests.host.dials import NOON, NORTH, SOUTH, bore, hole

from dialbench.dial import Body, Channel, Dial
from dialbench.fabricate import meshfile, solid

KINDS = ("3mf", "stl")
BODY = Body(45.0, 80.0, 18.0, 0.4)


def crowded(site):
    """Four channels, two by two: slots that cross, share exits and have pockets; round bores."""
    listed = []
    for channel in range(3):
        for k in range(7):
            hour_angle_deg = -33.0 + 11.0 * k + channel
            length_mm = 18.0 / math.cos(math.radians(hour_angle_deg))
            sizes = {"exit_mm": 0.5, "entry_mm": 1.3, "opening_deg": 46.9, "length_mm": length_mm}
            listed.append(bore(hour_angle_deg, channel, **sizes))
    for hour_angle_deg, declination_deg in ((-20.0, 15.0), (0.0, -10.0), (24.0, 3.0)):
        facts = {"exit_mm": 1.2, "entry_mm": 1.6, "length_mm": 19.0}
        listed.append(hole(hour_angle_deg, 3, declination_deg=declination_deg, **facts))
    places = ((9.0, 9.0), (-9.0, 9.0), (9.0, -9.0), (-9.0, -9.0))
    channels = tuple(Channel(y, z, k % 2, k // 2) for k, (y, z) in enumerate(places))
    return Dial("crowded", site, channels, NOON, BODY, tuple(listed))


@pytest.fixture(scope="module", params=[NORTH, SOUTH], ids=["north", "south"])
def made(request):
    return crowded(request.param), solid.one_solid(crowded(request.param))


def read_back(path, body):
    """A file of a body as trimesh reads it, through 32-bit floats."""
    if path.suffix == ".3mf":
        meshfile.write_3mf(path, body, {"Title": path.stem})
    else:
        meshfile.write_stl(path, body, path.stem)
    mesh = trimesh.load_mesh(path)
    if isinstance(mesh, trimesh.Scene):
        mesh = mesh.to_mesh()
    short = mesh.vertices.astype(np.float32).astype(float)
    # Made anew: equal corners become one, whatever the file said.
    again = trimesh.Trimesh(
        short[mesh.faces].reshape(-1, 3), np.arange(mesh.faces.size).reshape(-1, 3)
    )
    again.merge_vertices()
    return again


@pytest.mark.parametrize("kind", KINDS)
def test_a_file_holds_one_closed_body(made, kind, tmp_path):
    _, body = made
    mesh = read_back(tmp_path / f"body.{kind}", body)
    assert mesh.is_watertight
    assert mesh.is_winding_consistent
    assert mesh.body_count == 1
    assert mesh.volume == pytest.approx(body.volume_mm3, rel=1e-4)
    assert mesh.euler_number == 2 - 2 * body.manifold.genus()
    assert len(mesh.faces) > 500
    low, high = mesh.bounds
    np.testing.assert_allclose(low, (0, -BODY.radius_mm, -BODY.length_mm / 2), atol=0.011)
    np.testing.assert_allclose(high, (18.0, BODY.radius_mm, BODY.length_mm / 2), atol=0.011)


def test_both_files_hold_the_same_body(made, tmp_path):
    _, body = made
    one, other = (read_back(tmp_path / f"body.{kind}", body) for kind in KINDS)
    assert one.identifier_hash == other.identifier_hash


@pytest.mark.parametrize("kind", KINDS)
def test_the_middle_of_every_bore_is_open(made, kind, tmp_path):
    """Points along every axis from the face to the front meet no wood, and beside it they do."""
    dial, body = made
    mesh = read_back(tmp_path / f"body.{kind}", body)
    side = 1 if dial.site.latitude_deg >= 0 else -1
    lines = []
    for each in dial.bores:
        h, d = math.radians(each.hour_angle_deg), math.radians(each.declination_deg)
        along = (math.cos(d) * math.cos(h), -side * math.cos(d) * math.sin(h), side * math.sin(d))
        channel = dial.channels[each.channel]
        start = np.array((0.0, channel.y_mm, channel.z_mm)) - 0.1 * np.array(along)
        lines.append((start, start + (18.3 / along[0]) * np.array(along)))
    for start, end in lines:
        assert not crossed(mesh.triangles, start, end)
    # The same lines, moved to where no bore is.
    aside = np.array((0.0, 0.0, 28.0))
    assert all(crossed(mesh.triangles, start + aside, end + aside) == 2 for start, end in lines[:7])


def crossed(triangles, start, end):
    """How many triangles a line from start to end meets (signs of volumes)."""
    a, b, c = np.moveaxis(triangles, 1, 0)

    def side(p, q, r, s):
        return np.sign(np.einsum("ij,ij->i", q - p, np.cross(r - p, s - p)))

    s, e = np.broadcast_to(start, a.shape), np.broadcast_to(end, a.shape)
    through = side(s, a, b, c) != side(e, a, b, c)
    edges = [side(s, e, p, q) for p, q in ((a, b), (b, c), (c, a))]
    return int((through & all_same(edges)).sum())


def all_same(signs):
    return np.logical_and.reduce([one == other for one, other in pairwise(signs)])
