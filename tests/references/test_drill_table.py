"""The drill table put to work: a plain block bored by a script that knows only the file.

The script reads drill.csv and what its first lines say: which column is what, and how the
block is turned and tilted under an upright drill. It knows nothing of Dialbench. What its
drill takes away is held against the bores of the dial, whose void is written out here from
its definition: an axis towards hour angle and declination, and walls beside it.
"""

import csv
import io
import math
from itertools import pairwise

import numpy as np
import pytest

from dialbench.dial import Body, Bore, Channel, Dial, Plan, Site, Step
from dialbench.fabricate import drill
from dialbench.fabricate.workshop import Workshop
from dialbench.pockets import pockets

ANGLE_DEG, SIZE_MM = 0.01, 0.01
SITES = {
    "north": Site("Gannet Holm", 41.2, -16.4, 24.0, "-01:00", 1010.0, 10.0),
    "south": Site("South Holm", -33.7, 151.0, 24.0, "+10:00", 1010.0, 10.0),
}
BODIES = {"round": Body(60.0, 150.0), "cut": Body(60.0, 150.0, 25.0, 0.5)}


def axis_of(bore, site):
    """Where a bore points in P: equator and meridian along x, the visible pole along z."""
    side = 1 if site.latitude_deg >= 0 else -1
    h, d = math.radians(bore.hour_angle_deg), math.radians(bore.declination_deg)
    return np.array(
        [math.cos(d) * math.cos(h), -side * math.cos(d) * math.sin(h), side * math.sin(d)]
    )


def way_out_mm(body, start, axis):
    """From the exit to the outer surface, by halving: knows only which points are wood."""

    def wood(point):
        x, y, z = point
        return x <= body.front_mm and math.hypot(x, y) <= body.radius_mm and abs(z) <= half

    half, low, high = body.length_mm / 2, 0.0, 2 * (body.radius_mm + body.length_mm)
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if wood(start + middle * axis) else (low, middle)
    return low


def dial_of(site, body):
    """Slots fanned out with pockets between them, leaning slots, round bores of both kinds."""
    channels = tuple(Channel(y, z, k, 0) for k, (y, z) in enumerate(((20, 15), (-18, 3), (5, -20))))
    wishes = [(0, angle, 0.0, "slot") for angle in (-31.0, -27.25, -3.5, 0.0, 3.75, 44.0)]
    wishes += [(1, -50.0, 12.0, "round"), (1, 20.0, -18.5, "round"), (1, 22.0, 0.0, "round")]
    wishes += [(2, 35.125, -20.0, "slot"), (2, -12.3456, 17.0, "slot")]
    listed = []
    for number, (channel, hour_angle_deg, declination_deg, shape) in enumerate(wishes):
        bore = Bore(channel, hour_angle_deg, declination_deg, shape, 1.7, 1.7, 1.0, 0.0)
        start = np.array([0.0, channels[channel].y_mm, channels[channel].z_mm])
        length_mm = way_out_mm(body, start, axis_of(bore, site)) + (0.4 if number % 3 else 0.0)
        entry_mm = 1.7 if number % 4 == 1 else 2.9
        opening_deg = 46.0 if shape == "slot" else 0.0
        listed.append(
            Bore(
                channel,
                hour_angle_deg,
                declination_deg,
                shape,
                1.7,
                entry_mm,
                float(length_mm),
                opening_deg,
            )
        )
    plan = Plan("apparent", 15.0, (Step(0, 720.0, "12:00", frozenset({0})),))
    return Dial("test", site, channels, plan, body, tuple(listed))


def read(table):
    """The rows of a table whose remarks begin with #, by column."""
    lines = [line for line in io.StringIO(table.decode(), newline="") if not line.startswith("#")]
    return list(csv.DictReader(lines))


def turned(points, angle_deg, axis):
    """Points turned about axis 1 (y) or 2 (z), right-hand rule."""
    c, s = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    about = {2: [[c, -s, 0], [s, c, 0], [0, 0, 1]], 1: [[c, 0, s], [0, 1, 0], [-s, 0, c]]}
    return points @ np.array(about[axis]).T


def under_the_drill(row, points):
    """Points of the block in the setting of a row: x up along the drill, 0 at the exit."""
    at = np.array([0.0, float(row["exit_y_mm"]), float(row["exit_z_mm"])])
    set_up = turned(points - at, -float(row["rotation_deg"]), 2)
    return turned(set_up, float(row["tilt_deg"]), 1)


def drilled_room(row, points):
    """How far inside what the row takes away points are, in mm across; below 0 outside."""
    up, across, beside = under_the_drill(row, points).T
    exit_mm = float(row["exit_mm"])
    half = (exit_mm + (float(row["entry_mm"]) - exit_mm) * up / float(row["length_mm"])) / 2
    behind = up + exit_mm / 2
    if row["kind"] == "round":
        return np.minimum(half - np.hypot(across, beside), behind)
    high = exit_mm / 2 + math.tan(math.radians(float(row["opening_deg"]) / 2)) * up
    room = np.minimum(np.minimum(half - np.abs(across), high - np.abs(beside)), behind)
    return np.minimum(room, float(row["length_mm"]) - up) if row["kind"] == "pocket" else room


def true_room(bore, dial, points, ends):
    """The same of a bore of the dial, from its definition."""
    channel = dial.channels[bore.channel]
    axis = axis_of(bore, dial.site)
    offset = points - (0.0, channel.y_mm, channel.z_mm)
    along = offset @ axis
    across = np.array([-axis[1], axis[0], 0.0]) / math.hypot(axis[0], axis[1])
    u, v = offset @ across, offset @ np.cross(axis, across)
    half = bore.exit_mm / 2 + (bore.entry_mm - bore.exit_mm) / 2 / bore.length_mm * along
    behind = along + bore.exit_mm / 2
    if bore.shape == "round":
        return np.minimum(half - np.hypot(u, v), behind)
    high = bore.exit_mm / 2 + math.tan(math.radians(bore.opening_deg / 2)) * along
    room = np.minimum(np.minimum(half - np.abs(u), high - np.abs(v)), behind)
    return np.minimum(room, bore.length_mm - along) if ends else room


@pytest.fixture(params=[(site, body) for site in SITES for body in BODIES], ids="-".join)
def dial(request):
    return dial_of(SITES[request.param[0]], BODIES[request.param[1]])


@pytest.fixture
def table(dial):
    found = read(drill.drill_csv("dial 0", drill.rows(dial, Workshop())))
    return sorted(found, key=lambda row: int(row["number"]))


def test_every_bore_and_pocket_has_a_row(dial, table):
    listed = [*dial.bores, *pockets(dial)]
    assert [int(row["number"]) for row in table] == list(range(len(listed)))
    assert [int(row["channel"]) for row in table] == [bore.channel for bore in listed]
    kinds = [bore.shape for bore in dial.bores] + ["pocket"] * len(pockets(dial))
    assert [row["kind"] for row in table] == kinds
    assert (kinds.count("pocket") > 0) == (dial.body.wall_mm > 0)


def test_the_drill_stands_along_the_axis(dial, table):
    """A bore's axis, set up as the file says, is upright; its cosines say the same."""
    for row, bore in zip(table, [*dial.bores, *pockets(dial)], strict=True):
        at = np.array([0.0, *(dial.channels[bore.channel].y_mm, dial.channels[bore.channel].z_mm)])
        axis = axis_of(bore, dial.site)
        up = under_the_drill(row, np.array([at, at + axis]))
        assert np.degrees(np.arccos(min((up[1] - up[0])[0], 1.0))) < ANGLE_DEG
        cosines = np.array([float(row[name]) for name in ("axis_x", "axis_y", "axis_z")])
        assert np.degrees(np.linalg.norm(cosines - axis)) < 0.001
        assert np.linalg.norm(up[0]) < SIZE_MM


def test_compound_angles_are_told_to_a_thousandth_of_a_degree(dial, table):
    for row, bore in zip(table, [*dial.bores, *pockets(dial)], strict=True):
        x, y, z = axis_of(bore, dial.site)
        assert abs(float(row["rotation_deg"]) - math.degrees(math.atan2(y, x))) < 0.001
        assert abs(float(row["tilt_deg"]) - math.degrees(math.asin(z))) < 0.001


def test_the_block_is_bored_as_the_dial_says(dial, table):
    rng = np.random.default_rng(7)
    for row, bore in zip(table, [*dial.bores, *pockets(dial)], strict=True):
        ends = row["kind"] == "pocket"
        at = np.array([0.0, dial.channels[bore.channel].y_mm, dial.channels[bore.channel].z_mm])
        along = rng.uniform(-2, bore.length_mm + 2, 2000)
        points = at + along[:, None] * axis_of(bore, dial.site) + rng.normal(0, 2, (2000, 3))
        told, true = drilled_room(row, points), true_room(bore, dial, points, ends)
        assert np.abs(told - true).max() < SIZE_MM
        assert 0 < (true > 0).sum() < len(points)


def test_entry_points_lie_on_the_surface(dial, table):
    body = dial.body
    for row, bore in zip(table, [*dial.bores, *pockets(dial)], strict=True):
        x, y, z = (float(row[f"entry_{name}_mm"]) for name in "xyz")
        start = np.array([0.0, dial.channels[bore.channel].y_mm, dial.channels[bore.channel].z_mm])
        due_mm = way_out_mm(body, start, axis_of(bore, dial.site))
        if row["kind"] == "pocket":
            due_mm = min(due_mm, bore.length_mm)
        assert abs(float(row["depth_mm"]) - due_mm) < SIZE_MM
        due = start + due_mm * axis_of(bore, dial.site)
        assert np.linalg.norm(due - (x, y, z)) < SIZE_MM
        taper = (bore.entry_mm - bore.exit_mm) / bore.length_mm
        assert abs(float(row["surface_mm"]) - bore.exit_mm - taper * due_mm) < SIZE_MM


@pytest.mark.parametrize("column", ["rotation_deg", "tilt_deg", "exit_y_mm", "entry_mm"])
def test_a_wrong_table_is_found_out(column):
    """The same comparison fails where a column has the other sign, or another size."""
    dial = dial_of(SITES["south"], BODIES["cut"])
    row = read(drill.drill_csv("dial 0", drill.rows(dial, Workshop())))
    wrong = next(each for each in row if each["number"] == "7")
    wrong[column] = str(-float(wrong[column]) + (column == "entry_mm") * 7)
    bore = dial.bores[7]
    at = np.array([0.0, dial.channels[1].y_mm, dial.channels[1].z_mm])
    spread = np.random.default_rng(7).normal(0, 2, (500, 3))
    points = at + 20.0 * axis_of(bore, dial.site) + spread
    away = np.abs(drilled_room(wrong, points) - true_room(bore, dial, points, False)).max()
    assert away > 10 * SIZE_MM


def test_tools_fit_and_are_the_largest_that_do(table):
    workshop = Workshop()
    for row in table:
        narrow_mm = min(float(row["exit_mm"]), float(row["surface_mm"]))
        sizes = workshop.drills_mm if row["kind"] == "round" else workshop.cutters_mm
        assert float(row["tool_mm"]) == max(size for size in sizes if size <= narrow_mm)


def test_small_tools_first_one_setting_at_a_time_and_the_middle_first(table):
    work = sorted(table, key=lambda row: int(row["order"]))
    assert [int(row["order"]) for row in work] == list(range(1, len(work) + 1))
    settings = [int(row["setting"]) for row in work]
    assert settings == sorted(settings)
    kinds = [row["kind"] == "pocket" for row in work]
    assert kinds == sorted(kinds)
    bores = [row for row in work if row["kind"] != "pocket"]
    sizes = [float(row["tool_mm"]) for row in bores]
    assert sizes == sorted(sizes)
    for one, other in pairwise(bores):
        alike = all(
            abs(float(one[k]) - float(other[k])) < 1e-3 for k in ("rotation_deg", "tilt_deg")
        )
        assert (one["setting"] == other["setting"]) == (alike and one["tool"] == other["tool"])


def test_bores_that_no_tool_fits_are_for_the_printer():
    dial = dial_of(SITES["north"], BODIES["cut"])
    found = drill.rows(dial, Workshop(cutters_mm=[2.0, 3.0]))
    assert {row.tool for row in found if row.kind != "round"} == {"print"}
    assert {row.tool_mm for row in found if row.kind != "round"} == {None}
