"""The made body: its volume, its handles, what falls free; its files, its picture, its drawing."""

import itertools
import json
import math
import struct
import sys
import zipfile
import zlib
from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pytest
from manifold3d import Manifold
from tests.host.dials import NOON, NORTH, SOUTH, bore, hole

from dialbench import layout
from dialbench.dial import Body, Channel, Dial
from dialbench.errors import UserError
from dialbench.fabricate import compensate, meshfile, picture, solid, step
from dialbench.pockets import pockets
from dialbench.rays.voids import Voids

CORE = "{http://schemas.microsoft.com/3dmanufacturing/core/2015/02}"
DEPTH_MM = 20.0
SLAB = Body(200.0, 100.0, DEPTH_MM)  # as good as endless to bores in its middle


def dial_of(*listed, places=((0.0, 0.0),), body=SLAB, site=NORTH):
    channels = tuple(Channel(float(y), float(z), k, 0) for k, (y, z) in enumerate(places))
    return Dial("test", site, channels, NOON, body, listed)


def fan(site=NORTH):
    """Three channels: slots side by side with pockets between them, crossing slots, round bores."""
    listed = [
        *(bore(h, exit_mm=0.6, entry_mm=1.4, length_mm=20.0) for h in (-14.0, -8.0, 0.0, 9.0)),
        *(bore(h, 1, exit_mm=0.8, entry_mm=0.8, length_mm=25.0) for h in (20.0, 35.0, 62.0)),
        hole(-25.0, 2, exit_mm=2.0, entry_mm=3.0, length_mm=24.0),
        hole(30.0, 2, exit_mm=2.0, entry_mm=1.5, declination_deg=-14.0, length_mm=24.0),
    ]
    body = Body(40.0, 60.0, DEPTH_MM, 0.4)
    return dial_of(*listed, places=((-4.0, 3.0), (8.0, 3.0), (0.0, -16.0)), body=body, site=site)


def wedge():
    """Two slots that cross and run out at both ends of a short body: what is between falls free.

    It is a triangle as seen along the body's axis, from the crossing out to the front.
    """
    body = Body(100.0, 10.0, DEPTH_MM)
    wide = {"exit_mm": 1.0, "entry_mm": 1.0, "opening_deg": 80.0, "length_mm": 28.0}
    return dial_of(
        bore(-45.0, 0, **wide), bore(45.0, 1, **wide), places=((-10.0, 0), (10.0, 0)), body=body
    )


def removed_mm3(dial):
    """What the bores take away; of the body itself little would be seen of it."""
    return solid.block_of(dial.body).volume() - solid.one_solid(dial).volume_mm3


# Volume


def test_a_half_cylinder_has_its_volume():
    body = Body(37.0, 55.0)
    assert solid.block_of(body).volume() == pytest.approx(math.pi / 2 * 37**2 * 55, rel=1e-9)


@pytest.mark.parametrize("depth_mm", [0.5, 11.0, 30.0, 36.9])
def test_a_cut_half_cylinder_is_a_segment_less(depth_mm):
    # Between two chords of a circle, by its integral.
    area = depth_mm * math.sqrt(37**2 - depth_mm**2) + 37**2 * math.asin(depth_mm / 37)
    found = solid.block_of(Body(37.0, 55.0, depth_mm)).volume()
    assert found == pytest.approx(55 * area, rel=1e-4)


@pytest.mark.parametrize("radius_mm", [0.02, 1.0, 37.0, 5000.0])
def test_no_flat_is_farther_from_its_circle_than_stated(radius_mm):
    sides = solid.sides_of(radius_mm)
    corner = radius_mm * solid.spread(sides)
    middle = corner * math.cos(math.pi / sides)
    assert middle < radius_mm < corner
    assert max(corner - radius_mm, radius_mm - middle) <= solid.CHORD_MM
    area = sides / 2 * corner**2 * math.sin(2 * math.pi / sides)
    assert area == pytest.approx(math.pi * radius_mm**2, rel=1e-9)


@pytest.mark.parametrize("entry_mm", [0.5, 2.0, 5.0])
@pytest.mark.parametrize("opening_deg", [20.0, 60.0, 100.0])
def test_a_slot_straight_through_takes_a_wedge(entry_mm, opening_deg):
    slot = bore(exit_mm=2.0, entry_mm=entry_mm, length_mm=DEPTH_MM, opening_deg=opening_deg)
    rise, widen = math.tan(math.radians(opening_deg) / 2), (entry_mm - 2) / 2 / DEPTH_MM
    # The integral of width times height from the face to the front.
    flat, linear, square = 4.0, 4 * (rise + widen), 4 * rise * widen
    volume = flat * DEPTH_MM + linear * DEPTH_MM**2 / 2 + square * DEPTH_MM**3 / 3
    assert removed_mm3(dial_of(slot)) == pytest.approx(volume, rel=1e-6)


@pytest.mark.parametrize("site", [NORTH, SOUTH])
@pytest.mark.parametrize("hour_angle_deg", [-70.0, -40.0, 15.0, 60.0])
def test_a_slot_aslant_goes_through_from_the_face_to_the_front(hour_angle_deg, site):
    slot = bore(hour_angle_deg, exit_mm=2.0, entry_mm=2.0, opening_deg=40.0)
    straight = math.cos(math.radians(hour_angle_deg))
    rise = math.tan(math.radians(20.0))
    volume = 2.0 * (2.0 * DEPTH_MM / straight + rise * (DEPTH_MM / straight) ** 2)
    assert removed_mm3(dial_of(slot, site=site)) == pytest.approx(volume, rel=1e-6)


@pytest.mark.parametrize("entry_mm", [1.0, 2.0, 6.0])
def test_a_round_bore_straight_through_takes_a_cone(entry_mm):
    round_bore = hole(exit_mm=2.0, entry_mm=entry_mm, declination_deg=0.0, length_mm=DEPTH_MM)
    low, high = 1.0, entry_mm / 2
    volume = math.pi * DEPTH_MM / 3 * (low**2 + low * high + high**2)
    assert removed_mm3(dial_of(round_bore)) == pytest.approx(volume, rel=1e-6)


@pytest.mark.parametrize("declination_deg", [-66.0, 23.0])
def test_a_round_bore_aslant_takes_a_longer_cylinder(declination_deg):
    round_bore = hole(exit_mm=2.0, entry_mm=2.0, declination_deg=declination_deg)
    volume = math.pi * DEPTH_MM / math.cos(math.radians(declination_deg))
    assert removed_mm3(dial_of(round_bore)) == pytest.approx(volume, rel=1e-6)


def test_a_void_that_narrows_ends_at_its_point():
    # It comes to a point half way through.
    needle = hole(exit_mm=2.0, entry_mm=1.0, declination_deg=0.0, length_mm=DEPTH_MM / 4)
    blind = replace(needle, length_mm=needle.length_mm / 2, entry_mm=1.0)
    assert removed_mm3(dial_of(needle)) == pytest.approx(math.pi * DEPTH_MM / 2 / 3, rel=1e-6)
    assert removed_mm3(dial_of(blind)) == pytest.approx(math.pi * DEPTH_MM / 4 / 3, rel=1e-6)


# Handles


@pytest.mark.parametrize("count", [1, 2, 5])
def test_every_bore_by_itself_is_a_handle(count):
    listed = [bore(0.0, k, exit_mm=1.0, entry_mm=2.0) for k in range(count)]
    dial = dial_of(*listed, places=[(14.0 * k - 28, 0.0) for k in range(count)])
    made = solid.one_solid(dial).manifold
    assert made.genus() == count
    assert euler_number(made) == 2 - 2 * count


def test_bores_of_one_exit_are_a_handle_each():
    listed = [bore(h, exit_mm=1.0, entry_mm=1.0) for h in (-40.0, 0.0, 40.0)]
    assert euler_number(solid.one_solid(dial_of(*listed)).manifold) == 2 - 2 * 3


def test_two_bores_that_cross_are_three_handles():
    # One void with four mouths.
    listed = [bore(-45.0, 0, exit_mm=1.0, entry_mm=1.0), bore(45.0, 1, exit_mm=1.0, entry_mm=1.0)]
    dial = dial_of(*listed, places=((-5.0, 0.0), (5.0, 0.0)))
    assert euler_number(solid.one_solid(dial).manifold) == 2 - 2 * 3


def euler_number(made):
    """Corners less edges plus triangles, counted."""
    triangles = np.asarray(made.to_mesh64().tri_verts)
    sides = {frozenset(pair) for t in triangles.tolist() for pair in itertools.combinations(t, 2)}
    return len(np.unique(triangles)) - len(sides) + len(triangles)


# Inside and outside


@pytest.mark.parametrize("site", [NORTH, SOUTH])
def test_a_point_is_wood_where_no_void_holds_it(site):
    dial = fan(site)
    assert pockets(dial)
    rng = np.random.default_rng(5)
    anywhere = rng.uniform((0, -30, -30), (DEPTH_MM, 30, 30), (3000, 3))
    exits = np.array([(0.0, c.y_mm, c.z_mm) for c in dial.channels])
    at_exits = exits[rng.integers(0, 3, 1000)] + rng.uniform((0, -2, -2), (2, 2, 2), (1000, 3))
    points = np.concatenate((anywhere, at_exits))
    points = points[(points[:, 0] < DEPTH_MM) & (np.hypot(points[:, 0], points[:, 1]) < 39)]
    voids = Voids.of(dial, 0.0, 1.0)
    narrow = held(replace(voids, half=voids.half - 0.01), points)
    wide = held(replace(voids, half=voids.half + 0.01), points)
    # Behind its exit, a slot so far aslant as one here is, is not through the face yet.
    through = held(replace(voids, behind=3 * voids.behind), points)
    sure = (narrow == wide) & (through == wide)
    assert sure.mean() > 0.9
    assert 0.05 < narrow[sure].mean() < 0.5
    inside = winding(solid.one_solid(dial).manifold, points[sure])
    np.testing.assert_allclose(inside, np.where(narrow[sure], 0.0, 1.0), atol=1e-6)


def held(voids, points):
    """Whether any void holds the points, (n, 3)."""
    found = np.zeros(len(points), bool)
    for k in range(len(voids.half)):
        a, u, v = (voids.axes[:, :, k] @ points.T) - voids.origin[:, k, None]
        found |= voids.hold(np.full(len(points), k), a, u, v)
    return found


def winding(made, points):
    """How often a surface winds round points: the solid angles of its triangles, over 4 pi.

    Van Oosterom and Strackee 1983, from memory.
    """
    mesh = made.to_mesh64()
    corners = np.asarray(mesh.vert_properties)[:, :3]
    total = np.zeros(len(points))
    for one, two, three in corners[np.asarray(mesh.tri_verts, np.int64)]:
        a, b, c = one - points, two - points, three - points
        la, lb, lc = (np.linalg.norm(w, axis=1) for w in (a, b, c))
        triple = np.einsum("ij,ij->i", a, np.cross(b, c))
        dots = [np.einsum("ij,ij->i", p, q) for p, q in ((a, b), (b, c), (c, a))]
        total += np.arctan2(triple, la * lb * lc + dots[0] * lc + dots[1] * la + dots[2] * lb)
    return total / (2 * np.pi)


# Pieces


def test_what_falls_free_is_told_with_its_size():
    dial = wedge()
    # A triangle of height h and base 2 h.
    high = DEPTH_MM - 10 - 1 / math.sqrt(2)
    volumes = solid.pieces(dial)
    assert len(volumes) == 2
    assert volumes[0] > volumes[1]
    assert volumes[1] == pytest.approx(high**2 * dial.body.length_mm, rel=1e-6)
    with pytest.raises(solid.SolidError, match=rf"2 pieces.* {volumes[1]:.1f} mm3") as caught:
        solid.one_solid(dial)
    assert isinstance(caught.value, UserError)


def test_crumbs_are_left_out_and_counted():
    volumes = solid.pieces(wedge())
    made = solid.one_solid(wedge(), crumb_mm3=volumes[1] + 1)
    assert made.crumbs == pytest.approx(volumes[1:])
    assert made.volume_mm3 == made.manifold.volume() == pytest.approx(volumes[0])
    assert len(made.manifold.decompose()) == 1
    with pytest.raises(solid.SolidError):
        solid.one_solid(wedge(), crumb_mm3=volumes[1] - 1)


def test_a_body_bored_away_is_no_body():
    slot = bore(exit_mm=400.0, entry_mm=400.0, opening_deg=60.0)
    with pytest.raises(solid.SolidError, match="leave nothing"):
        solid.one_solid(dial_of(slot))


def test_pockets_are_cut_out_and_end_where_they_end():
    hours_deg = (-14.0, -8.0, 0.0, 9.0)
    listed = [bore(h, exit_mm=0.6, entry_mm=1.4, length_mm=20.0) for h in hours_deg]
    dial = dial_of(*listed, body=Body(40.0, 60.0, DEPTH_MM, 0.4))
    whole = replace(dial, body=replace(dial.body, wall_mm=0.0))
    lost = removed_mm3(dial) - removed_mm3(whole)
    due = 0.0
    for one_deg, other_deg in itertools.pairwise(hours_deg):
        # Wood between two walls of slots that leave one square exit, from where they part to
        # where it is as thick as the least wall.
        part = math.tan(math.radians(other_deg - one_deg) / 2 - math.atan(0.4 / 20))
        way = np.linspace(0.3 / part, 0.5 / part, 1001)
        assert way[-1] < DEPTH_MM
        high = 0.6 + 2 * way * math.tan(math.radians(30))
        due += np.trapezoid((2 * way * part - 0.6) * high, way)
    assert lost == pytest.approx(due, rel=0.02)


# Files


def test_the_same_dial_makes_the_same_bytes(tmp_path):
    made = []
    for name in ("one", "two"):
        body = solid.one_solid(fan())
        meshfile.write_3mf(tmp_path / f"{name}.3mf", body, {"Title": "x", "Application": "y"})
        meshfile.write_stl(tmp_path / f"{name}.stl", body, "dial 0123456789abcdef")
        made.append(
            (
                (tmp_path / f"{name}.3mf").read_bytes(),
                (tmp_path / f"{name}.stl").read_bytes(),
                picture.picture_of(body),
            )
        )
    assert made[0] == made[1]


def test_a_3mf_says_its_unit_and_what_it_is(tmp_path):
    told = {"Description": "dial <0123> & \x1b[2J", "Title": "Gannet Holm"}
    body = solid.one_solid(fan())
    meshfile.write_3mf(tmp_path / "body.3mf", body, told)
    with zipfile.ZipFile(tmp_path / "body.3mf") as package:
        assert package.testzip() is None
        names = package.namelist()
        types = ElementTree.fromstring(package.read("[Content_Types].xml"))
        (relation,) = ElementTree.fromstring(package.read("_rels/.rels"))
        model = ElementTree.fromstring(package.read(relation.get("Target").lstrip("/")))
    assert len(names) == 3
    assert {name.rpartition(".")[2] for name in names[1:]} == {
        t.get("Extension") for t in types
    } - {"xml"}
    assert model.get("unit") == "millimeter"
    found = {part.get("name"): part.text for part in model.iter(f"{CORE}metadata")}
    assert found == {"Description": "dial <0123> & \\x1b[2J", "Title": "Gannet Holm"}
    (item,) = model.iter(f"{CORE}item")
    (thing,) = model.iter(f"{CORE}object")
    assert item.get("objectid") == thing.get("id")
    corners = [[float(c.get(k)) for k in "xyz"] for c in model.iter(f"{CORE}vertex")]
    triangles = [[int(t.get(k)) for k in ("v1", "v2", "v3")] for t in model.iter(f"{CORE}triangle")]
    mesh = meshfile.mesh_of(body)
    assert np.array_equal(corners, mesh.corners)
    assert np.array_equal(triangles, mesh.triangles)


def test_metadata_of_no_known_name_is_refused():
    mesh = meshfile.mesh_of(solid.one_solid(fan()))
    with pytest.raises(ValueError, match="Maker"):
        meshfile.threemf(mesh, {"Maker": "x"})


@pytest.mark.parametrize("header", ["dial 0123", "solid dial", "x" * 200, "d\u00e9j\u00e0"])
def test_an_stl_holds_the_same_triangles(header):
    mesh = meshfile.mesh_of(solid.one_solid(fan()))
    raw = meshfile.stl(mesh, header)
    assert not raw.lower().startswith(b"solid")
    assert header[:9].encode("ascii", "replace") in raw[:80]
    assert struct.unpack("<I", raw[80:84]) == (len(mesh.triangles),)
    assert len(raw) == 84 + 50 * len(mesh.triangles)
    facet = np.array([struct.unpack_from("<12f", raw, 84 + 50 * k) for k in range(20)])
    normals, points = facet[:, :3], facet[:, 3:].reshape(-1, 3, 3)
    assert np.array_equal(points, mesh.corners[mesh.triangles[:20]].astype(np.float32))
    turned = np.cross(points[:, 1] - points[:, 0], points[:, 2] - points[:, 0])
    along = np.einsum("ij,ij->i", normals, turned)
    np.testing.assert_allclose(along, np.linalg.norm(turned, axis=1), rtol=1e-4, atol=1e-4)


def test_corners_stay_apart_in_short_floats():
    for size in (1.0, 40.0):  # a body of metres has a coarser grid
        body = Body(40.0 * size, 60.0 * size, DEPTH_MM * size, 0.0)
        slot = bore(20.0, exit_mm=size, entry_mm=size, length_mm=25.0 * size)
        mesh = meshfile.mesh_of(solid.one_solid(dial_of(slot, body=body)))
        short = mesh.corners.astype(np.float32)
        assert len(np.unique(short, axis=0)) == len(mesh.corners) > 8
        written = [[float(f"{at:.{mesh.places}f}") for at in corner] for corner in mesh.corners]
        assert np.array_equal(written, mesh.corners)
        assert np.spacing(np.abs(short).max()) < 10.0**-mesh.places


def test_a_surface_that_will_not_close_is_not_written(tmp_path):
    # Two blocks as good as touching along an edge, and held together elsewhere.
    one = Manifold.cube((10.0, 10.0, 10.0))
    other = one.translate((10 + 1e-7, 10 + 1e-7, 0.0))
    held_by = Manifold.cube((20.0, 20.0, 1.0)).translate((0.0, 0.0, -1.0))
    joined = one + other + held_by
    body = solid.Solid(joined, joined.volume(), ())
    assert len(joined.decompose()) == 1
    with pytest.raises(meshfile.MeshError, match="nearly touch"):
        meshfile.write_3mf(tmp_path / "body.3mf", body, {})
    assert not (tmp_path / "body.3mf").exists()


# Picture


def pixels_of(png):
    """Pixels (height, width, 3) of a PNG whose rows are not filtered."""
    assert png[:8] == b"\x89PNG\r\n\x1a\n"
    chunks, at = {}, 8
    while at < len(png):
        (length,) = struct.unpack(">I", png[at : at + 4])
        kind, data = png[at + 4 : at + 8], png[at + 8 : at + 8 + length]
        assert struct.unpack(">I", png[at + 8 + length : at + 12 + length]) == (
            zlib.crc32(kind + data),
        )
        chunks[kind], at = data, at + 12 + length
    width, height, depth, colour = struct.unpack(">IIBB", chunks[b"IHDR"][:10])
    assert (depth, colour) == (8, 2)
    rows = np.frombuffer(zlib.decompress(chunks[b"IDAT"]), np.uint8).reshape(height, -1)
    assert not rows[:, 0].any()
    return rows[:, 1:].reshape(height, width, 3)


def test_the_picture_shows_the_bores_from_both_sides():
    dial = fan()
    block = solid.block_of(dial.body)
    for body, bored in (
        (solid.one_solid(dial), True),
        (solid.Solid(block, block.volume(), ()), False),
    ):
        pixels = pixels_of(picture.picture_of(body)).astype(int)
        height, width, _ = pixels.shape
        assert width == 2 * height
        warm = pixels[..., 0] - pixels[..., 2] > 30
        for half in (warm[:, :height], warm[:, height:]):
            assert half.any() == bored
            assert half.mean() < 0.2
        # The sky side has the longer mouths.
        assert not bored or warm[:, :height].sum() > 3 * warm[:, height:].sum()


def test_the_picture_hides_what_is_behind():
    block = solid.block_of(Body(40.0, 60.0, DEPTH_MM))
    blind = Manifold.cube((DEPTH_MM, 20.0, 20.0)).translate((5.0, -10.0, -10.0))
    holed = block - blind
    pixels = pixels_of(picture.picture_of(solid.Solid(holed, holed.volume(), ()))).astype(int)
    warm = pixels[..., 0] - pixels[..., 2] > 30
    size = len(pixels)
    assert warm[:, :size].any()
    assert not warm[:, size:].any()


def test_the_picture_is_as_large_as_the_body_seen():
    block = solid.block_of(Body(40.0, 60.0, DEPTH_MM))
    pixels = pixels_of(picture.picture_of(solid.Solid(block, block.volume(), ()))).astype(int)
    size = pixels.shape[0]
    mesh = block.to_mesh64()
    corners = np.asarray(mesh.vert_properties)[:, :3]
    triangles = corners[np.asarray(mesh.tri_verts, np.int64)]
    turned = np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])
    for k, place in enumerate(picture._VIEWS):
        back = np.array(place) / np.linalg.norm(place)
        # Of a convex body seen from afar: half of what all its sides show.
        shown_mm2 = np.abs(turned @ back).sum() / 4
        right = np.cross((0, 0, 1), back) / np.hypot(back[0], back[1])
        flat = corners @ np.array([right, np.cross(back, right)]).T
        span = np.ptp(flat, axis=0).max()
        share = shown_mm2 * ((1 - 2 * picture._MARGIN) / span) ** 2
        view = pixels[:, k * size : (k + 1) * size]
        assert (view.min(axis=2) < 250).mean() == pytest.approx(share, rel=0.01)


# The drawing


def errors_of(**tables):
    return compensate.Errors.model_validate({"format": 1, **tables})


ERRORS = errors_of(
    shrink={"x_percent": 0.4, "y_percent": 0.9, "z_percent": -0.5},
    bores={"width_mm": -0.12},
    channel=[{"channel": 1, "hour_angle_deg": 0.4, "width_mm": 0.03}],
    bore=[
        {"bore": 2, "hour_angle_deg": -0.2, "declination_deg": 0.7},
        {"bore": 8, "declination_deg": -1.2, "width_mm": -0.2},
    ],
)


def numbers_of(dial):
    body = dial.body
    yield from (body.radius_mm, body.length_mm, body.depth_mm)
    for channel in dial.channels:
        yield from (channel.y_mm, channel.z_mm)
    for each in dial.bores:
        yield from (each.hour_angle_deg, each.declination_deg, each.exit_mm, each.entry_mm)
        yield from (each.length_mm, each.opening_deg)


def fitted(dial):
    """The dial with bores as long as its body makes them."""
    listed = []
    for each in dial.bores:
        flat = math.cos(math.radians(each.hour_angle_deg))
        length_mm = DEPTH_MM / flat / math.cos(math.radians(each.declination_deg))
        listed.append(replace(each, length_mm=length_mm))
    return replace(dial, bores=tuple(listed[:6] + listed[7:]))  # one would end at the rim


def compensable(site=NORTH):
    dial = fitted(fan(site))
    return replace(dial, body=replace(dial.body, radius_mm=80.0, length_mm=90.0))


@pytest.mark.parametrize("site", [NORTH, SOUTH])
def test_out_of_the_drawing_comes_the_dial(site):
    dial = compensable(site)
    errors = ERRORS.model_copy(
        update={"bore": [*ERRORS.bore[:1], ERRORS.bore[1].model_copy(update={"bore": 7})]}
    )
    drawing = compensate.compensated(dial, errors)
    assert drawing.hash != dial.hash
    back = compensate.made(drawing, errors)
    np.testing.assert_allclose(list(numbers_of(back)), list(numbers_of(dial)), rtol=0, atol=1e-9)
    off = np.array(list(numbers_of(drawing))) - list(numbers_of(dial))
    assert np.abs(off).max() > 0.1


def test_no_errors_change_nothing():
    dial = compensable()
    np.testing.assert_allclose(
        list(numbers_of(compensate.compensated(dial, errors_of()))),
        list(numbers_of(dial)),
        rtol=1e-12,
    )


def test_a_drawing_is_larger_wider_and_aims_the_other_way():
    dial = compensable()
    grown = compensate.compensated(
        dial, errors_of(shrink=dict.fromkeys(compensate.ShrinkTable.model_fields, 2.0))
    )
    # The same in all directions: everything is larger, and no angle is another.
    assert grown.body.depth_mm == pytest.approx(DEPTH_MM / 0.98)
    assert grown.channels[1].y_mm == pytest.approx(8.0 / 0.98)
    for old, new in zip(dial.bores, grown.bores, strict=True):
        assert new.hour_angle_deg == pytest.approx(old.hour_angle_deg)
        assert new.opening_deg == pytest.approx(old.opening_deg)
        for key in ("exit_mm", "entry_mm", "length_mm"):
            assert getattr(new, key) == pytest.approx(getattr(old, key) / 0.98)
    wider = compensate.compensated(dial, errors_of(bores={"width_mm": -0.1}))
    assert wider.bores[0].exit_mm == pytest.approx(0.7)
    assert wider.bores[0].entry_mm - wider.bores[0].exit_mm == pytest.approx(
        dial.bores[0].entry_mm - dial.bores[0].exit_mm
    )
    one = {"channel": 0, "hour_angle_deg": 0.1, "declination_deg": -0.2}
    other = {"bore": 0, "hour_angle_deg": 0.3}
    aimed = compensate.compensated(dial, errors_of(channel=[one], bore=[other]))
    off = [
        (new.hour_angle_deg - old.hour_angle_deg, new.declination_deg - old.declination_deg)
        for old, new in zip(dial.bores, aimed.bores, strict=True)
    ]
    np.testing.assert_allclose(off[:2], [(-0.4, 0.2), (-0.1, 0.2)], atol=1e-12)
    np.testing.assert_allclose(off[4:], 0, atol=1e-12)


def test_each_way_shrinks_what_lies_along_it():
    # Straight ahead, a slot is as wide along y as it opens along z.
    slot = bore(exit_mm=2.0, entry_mm=2.0, length_mm=DEPTH_MM)
    pipe = hole(channel=1, exit_mm=2.0, entry_mm=2.0, length_mm=DEPTH_MM, declination_deg=0.0)
    dial = dial_of(slot, pipe, places=((0.0, 0.0), (20.0, 0.0)))
    errors = errors_of(shrink={"x_percent": 1.0, "y_percent": 2.0, "z_percent": 5.0})
    drawn, drawn_pipe = compensate.compensated(dial, errors).bores
    assert drawn.exit_mm == pytest.approx(2.0 / 0.98)
    assert drawn.length_mm == pytest.approx(DEPTH_MM / 0.99)
    rise = math.tan(math.radians(drawn.opening_deg / 2)) / math.tan(math.radians(30.0))
    assert rise == pytest.approx(0.99 / 0.95)
    assert drawn_pipe.exit_mm == pytest.approx(2.0 / math.sqrt(0.98 * 0.95))


@pytest.mark.parametrize("site", [NORTH, SOUTH])
def test_a_shrunk_drawing_is_the_dial_in_triangles_too(site):
    # Nothing of compensation is in it but its table: the drawn solid, scaled as a solid.
    dial = compensable(site)
    dial = replace(dial, body=replace(dial.body, wall_mm=0.0))
    errors = errors_of(shrink={"x_percent": 1.0, "y_percent": 1.4, "z_percent": 0.5})
    drawn = solid.one_solid(compensate.compensated(dial, errors)).manifold
    part, due = drawn.scale((0.99, 0.986, 0.995)), solid.one_solid(dial).manifold
    apart_mm3 = (part - due).volume() + (due - part).volume()
    plain = solid.one_solid(dial).manifold.scale((0.99, 0.986, 0.995))
    assert apart_mm3 < 0.03 * ((plain - due).volume() + (due - plain).volume())
    assert apart_mm3 < 2e-4 * due.volume()


def test_errors_are_read_from_toml_and_json(tmp_path):
    toml, plain = tmp_path / "errors.toml", tmp_path / "errors.JSON"
    document = {
        "format": 1,
        "shrink": {"z_percent": 0.5},
        "channel": [{"channel": 3, "width_mm": 0.02}],
    }
    toml.write_text(
        "format = 1\n[shrink]\nz_percent = 0.5\n[[channel]]\nchannel = 3\nwidth_mm = 0.02\n"
    )
    plain.write_text(json.dumps(document))
    assert (
        compensate.load(toml)
        == compensate.load(plain)
        == errors_of(**{k: document[k] for k in ("shrink", "channel")})
    )


def test_the_file_in_the_modules_own_words_is_read(tmp_path):
    lines = compensate.__doc__.split("\n")
    listed = [line[4:] for line in lines if line.startswith("    ")]
    path = tmp_path / "errors.toml"
    path.write_text("\n".join(listed))
    errors = compensate.load(path)
    assert errors.shrink.z_percent == 0.6
    assert errors.bore[0].bore == 17


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "format: is missing; write 1, the version"),
        ("format = 2", "format: is 2; write 1"),
        ("format = 1\nshrink = 3", "shrink: is 3; write the table"),
        ("format = 1\n[shrink]\nx_percent = 60", "shrink.x_percent: is 60; write .* -10 to 10"),
        ("format = 1\n[shrink]\nx_percent = nan", "shrink.x_percent: is nan"),
        ("format = 1\n[bores]\nwidth = 1", "bores.width: does not belong here; write width_mm"),
        ("format = 1\n[[bore]]\nwidth_mm = 1", "bore.0.bore: is missing; write the bore's number"),
        (
            "format = 1\n[[bore]]\nbore = 1\n[[bore]]\nbore = 1",
            "bore.1.bore: is 1, as in bore.0; write each once",
        ),
        ("format = 1\n[[channel]]\nchannel = 1.5", "channel.0.channel: is 1.5; write"),
        ("format = ", "is no TOML"),
    ],
)
def test_a_wrong_file_is_told_what_to_mend(tmp_path, text, told):
    path = tmp_path / "errors.toml"
    path.write_text(text)
    with pytest.raises(UserError, match=told) as caught:
        compensate.load(path)
    assert str(caught.value).startswith(str(path))


@pytest.mark.parametrize("text", ["[1]", '{"format": ', "[" * 100_000, '{"format": 1, "x": 1}'])
def test_a_wrong_json_file_is_told_so(tmp_path, text):
    path = tmp_path / "errors.json"
    path.write_text(text)
    with pytest.raises(UserError, match=r"errors\.json: ") as caught:
        compensate.load(path)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("tables", "told"),
    [
        ({"bore": [{"bore": 99}]}, r"bore\.0\.bore: is 99, but the dial's go from 0 to 7"),
        ({"channel": [{"channel": 3}]}, r"channel\.0\.channel: is 3, but .* 0 to 2"),
        ({"bores": {"width_mm": 0.7}}, r"bore\.0: comes to a width of -0\.100 mm"),
        # Drawn so far aslant, a bore comes too close to the body's end.
        (
            {"bore": [{"bore": 7, "declination_deg": 5.0}]},
            r"errors taken off: body\.length_mm: is .* too short",
        ),
    ],
)
def test_errors_that_no_drawing_makes_good_are_refused(tables, told):
    dial = compensable()
    shortest = next(
        body
        for body in (replace(dial.body, length_mm=10.0 + k / 4) for k in range(400))
        if not layout.listed_faults(dial.site, dial.channels, body, dial.bores)
    )
    dial = replace(dial, body=shortest)
    compensate.compensated(dial, errors_of())
    with pytest.raises(compensate.CompensationError, match=told):
        compensate.compensated(dial, errors_of(**tables))


# STEP


def test_without_its_library_step_says_what_to_install(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "build123d", None)
    with pytest.raises(step.StepError, match=r"pip install 'dialbench\[step\]'"):
        step.write_step(tmp_path / "body.step", fan())
    assert not list(tmp_path.iterdir())
