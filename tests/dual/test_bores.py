"""dialcore.bores on both runtimes: worked values, limits, and the disc's closed forms."""

import math

from dialcore import bores, disc

SMALL = 1e-4  # a Sun as good as a point
SUN = 0.00465


def at(across_deg, beside_deg=0.0):
    """(s.a, s.u, s.v) of a direction so far from the axis both ways."""
    u = math.tan(math.radians(across_deg))
    v = math.tan(math.radians(beside_deg))
    long = math.sqrt(1 + u * u + v * v)
    return 1 / long, u / long, v / long


def slot(sun, semidiameter=SUN, exit_mm=3.0, entry_mm=3.0, length_mm=60.0, opening_deg=60.0):
    opening = math.radians(opening_deg)
    return bores.slot_lit(*sun, semidiameter, exit_mm, entry_mm, length_mm, opening, math)


def corner(sun, semidiameter=SUN, exit_mm=3.0, entry_mm=3.0, length_mm=60.0, opening_deg=60.0):
    opening = math.radians(opening_deg)
    return bores.slot_corner_lit(*sun, semidiameter, exit_mm, entry_mm, length_mm, opening, math)


def hole(sun, semidiameter=SUN, exit_mm=3.0, entry_mm=3.0, length_mm=60.0):
    return bores.round_lit(*sun, semidiameter, exit_mm, entry_mm, length_mm, math)


def half_angle_deg(lit):
    """Where a lit fraction that falls away from the axis is a half."""
    low, high = 0.0, 10.0
    for _ in range(30):
        middle = (low + high) / 2
        if lit(at(middle), SMALL) > 0.5:
            low = middle
        else:
            high = middle
    return low


def test_half_angles_of_bores_60_mm_long():
    """Half the exit is left at atan(1.5 / 60), and of two circles at 0.4040 of a diameter."""
    assert abs(half_angle_deg(slot) - 1.432) < 0.0005
    assert abs(half_angle_deg(hole) - 1.157) < 0.0005
    wide = half_angle_deg(lambda sun, size: slot(sun, size, 5.24, 5.24))
    assert abs(wide - 2.500) < 0.003
    tapered = half_angle_deg(lambda sun, size: slot(sun, size, 0.5, 3.0))
    assert abs(tapered - 1.432) < 0.0005


def test_half_angles_where_the_walls_end_at_different_distances():
    """Half the exit is left at atan(1.5 / 50) from the one side, atan(1.5 / 75) from the other;
    of a tapered slot by as much further as a wall leans."""
    for function in (bores.slot_lit, bores.slot_corner_lit):
        for entry_mm in (3.0, 5.4):
            assert_walls_end_at_50_and_75_mm(function, entry_mm)


def assert_walls_end_at_50_and_75_mm(function, entry_mm):
    sizes = SMALL, 3.0, entry_mm, 60.0, 1.0, math, (50.0, 75.0)
    lean = (entry_mm - 3.0) / 2 / 60.0
    late = half_angle_deg(lambda sun, _: function(*sun, *sizes))
    early = half_angle_deg(lambda sun, _: function(sun[0], -sun[1], sun[2], *sizes))
    assert abs(math.tan(math.radians(late)) - 1.5 / 50 - lean) < 1e-5
    assert abs(math.tan(math.radians(early)) - 1.5 / 75 - lean) < 1e-5


def test_a_round_bore_ends_on_an_oblique_surface():
    """Where the surface is farther the walls shut sooner: of a straight bore, at an angle of the
    whole exit's width over as much way as the wall there is long."""
    point = 1e-5
    for tilt in (-1.0, 0.0, 1.0):
        dark = math.degrees(math.atan(3.0 / (60.0 + 1.5 * tilt)))
        for off, lit in ((-0.03, True), (0.01, False)):
            sun = at(dark + off)
            found = bores.round_lit(*sun, point, 3.0, 3.0, 60.0, math, (tilt, 0.5))
            assert (found > 1e-6) == lit
            across = sun[0], sun[2], -sun[1]
            assert (
                abs(bores.round_lit(*across, point, 3.0, 3.0, 60.0, math, (0.5, -tilt)) - found)
                < 1e-6
            )
    level = bores.round_lit(*at(1.0, 0.3), SUN, 3.0, 4.0, 60.0, math, (0.0, 0.0))
    assert abs(level - bores.round_lit(*at(1.0, 0.3), SUN, 3.0, 4.0, 60.0, math)) < 1e-7


def test_a_point_sun_lights_what_the_walls_leave():
    for deg in (0.0, 0.3, 1.0, 2.0, 2.8):
        left = 1 - 60 * math.tan(math.radians(deg)) / 3
        assert abs(slot(at(deg), SMALL) - min(left, 1 - 0.0006 * (deg == 0))) < 0.001
        d = 60 * math.tan(math.radians(deg))
        lens = 2 * 1.5 * 1.5 * math.acos(d / 3) - d / 2 * math.sqrt(9 - d * d)
        assert abs(hole(at(deg), SMALL) - lens / (math.pi * 1.5 * 1.5)) < 0.003


def test_all_is_lit_through_an_entry_much_wider_than_the_exit():
    for lit in (slot, corner, hole):
        for deg in (-2.0, 0.0, 2.0):
            assert abs(lit(at(deg), SUN, 1.0, 9.0) - 1) < 1e-5


def test_an_entry_smaller_than_the_exit_limits_what_is_lit():
    assert abs(slot(at(0.0), SUN, 9.0, 3.0) - 1 / 3) < 1e-5
    assert abs(corner(at(0.0), SUN, 9.0, 3.0) - 1 / 3) < 1e-5
    assert abs(hole(at(0.0), SUN, 9.0, 3.0) - 1 / 9) < 1e-5


def test_all_is_dark_from_beside_and_from_behind():
    for lit in (slot, corner, hole):
        for deg in (-3.2, 3.2, 20.0, -70.0):
            assert abs(lit(at(deg))) < 1e-5
        along, across, beside = at(0.3, 0.2)
        assert lit((-along, across, beside)) == 0
        assert lit((-1.0, 0.0, 0.0)) == 0
        assert lit((0.0, 1.0, 0.0)) == 0
    for lit in (slot, corner):
        assert abs(lit(at(0.0, 33.0))) < 1e-5
        assert abs(lit(at(0.0, 29.0)) - lit(at(0.0))) < 0.01


def test_either_side_of_the_axis_is_alike():
    for lit in (slot, corner, hole):
        for across_deg, beside_deg in ((1.3, 0.4), (2.6, 1.1), (0.2, 2.8)):
            one = lit(at(across_deg, beside_deg), SUN, 2.0, 3.0)
            for turned in (
                at(-across_deg, beside_deg),
                at(across_deg, -beside_deg),
                at(-across_deg, -beside_deg),
            ):
                assert abs(lit(turned, SUN, 2.0, 3.0) - one) < 1e-5
    # And a round bore is round.
    for turn in (0.5, 1.0, 2.0):
        tan = math.tan(math.radians(1.4))
        u, v = tan * math.cos(turn), tan * math.sin(turn)
        long = math.sqrt(1 + tan * tan)
        assert abs(hole((1 / long, u / long, v / long)) - hole(at(1.4))) < 1e-5


def test_light_fades_steadily_away_from_the_axis():
    """No jump, and nowhere brighter than nearer to the axis; the first and last bends too."""
    for lit in (slot, corner, hole):
        for exit_mm, entry_mm in ((3.0, 3.0), (1.0, 4.0), (4.0, 1.0)):
            before = lit(at(0.0), SUN, exit_mm, entry_mm)
            for k in range(1, 141):
                now = lit(at(k * 0.025), SUN, exit_mm, entry_mm)
                # 0.025 deg at 60 mm is 0.026 mm, of round exits times 4 / pi at most.
                assert before - 0.035 / min(exit_mm, 3.0) < now < before + 2e-5
                before = now


def test_a_corner_is_the_product_where_one_way_is_fully_open():
    for across_deg in (0.0, 0.9, 1.4, 2.2, 2.9, 3.5):
        for exit_mm, entry_mm in ((3.0, 3.0), (1.0, 5.0)):
            sun = at(across_deg, 3.0)
            assert abs(corner(sun, SUN, exit_mm, entry_mm) - slot(sun, SUN, exit_mm, entry_mm)) < (
                1e-4
            )
    for beside_deg in (0.0, 2.0, 4.8, 5.5, 6.5):
        sun = at(0.1, beside_deg)
        one = corner(sun, SUN, 1.0, 5.0, 60.0, 10.0)
        assert abs(one - slot(sun, SUN, 1.0, 5.0, 60.0, 10.0)) < 1e-4


def strips(count):
    """(place, light) of strips of the darkened disc, places in solar radii across it.

    Added up in the plane, ring by ring: nothing of the closed forms."""
    light = [0.0] * count
    rings, turns = 60, 120
    total = 0.0
    for i in range(rings):
        r = (i + 0.5) / rings
        bright = r * (1 - 0.6 * (1 - math.sqrt(1 - r * r))) / turns
        for j in range(turns):
            x = r * math.cos((j + 0.5) * math.pi / turns)
            light[min(int((x + 1) / 2 * count), count - 1)] += bright
            total += bright
    return [(2 * (k + 0.5) / count - 1, light[k] / total) for k in range(count)]


def test_ramp_and_beyond_are_sums_over_the_disc():
    listed = strips(40)
    for k in range(-6, 7):
        x = k / 4
        summed = sum([light * max(0.0, x + place) for place, light in listed])
        assert abs(disc.ramp(x, math) - summed) < 0.001
        edge = round(x * 20) / 20  # between two strips
        farther = sum([light for place, light in listed if place > edge])
        assert abs(disc.beyond(edge, math) - farther) < 0.004


def test_ramp_and_beyond_at_their_ends_and_middle():
    for x in (-3.0, -1.0):
        assert abs(disc.ramp(x, math)) < 1e-6
        assert abs(disc.beyond(x, math) - 1) < 1e-6
    for x in (1.0, 2.5):
        assert abs(disc.ramp(x, math) - x) < 1e-6
        assert abs(disc.beyond(x, math)) < 1e-6
    assert abs(disc.beyond(0.0, math) - 0.5) < 1e-6
    # Half the mean distance from the middle: the integral of r^2 (0.4 + 0.6 mu) cos t.
    mean = (0.4 / 3 + 0.6 * math.pi / 16) * 2 / math.pi / (0.4 / 2 + 0.6 / 3)
    assert abs(disc.ramp(0.0, math) - mean / 2) < 1e-6
    # One is the other's slope.
    for x in (-0.8, -0.3, 0.1, 0.6):
        slope = (disc.ramp(x + 0.01, math) - disc.ramp(x - 0.01, math)) / 0.02
        assert abs(slope - disc.beyond(-x, math)) < 1e-4


def test_axes_are_at_right_angles_and_turn_with_the_hemisphere():
    for hemisphere in (1, -1):
        for hour_angle, declination in ((0.0, 0.0), (0.7, 0.3), (-1.2, -0.4)):
            axes = bores.axes(hour_angle, declination, hemisphere, math)
            for i in range(3):
                for j in range(3):
                    product = sum([axes[i][n] * axes[j][n] for n in range(3)])
                    assert abs(product - (i == j)) < 1e-6
            # u towards growing hour angle, v towards growing declination.
            later = bores.axes(hour_angle + 0.01, declination, hemisphere, math)[0]
            higher = bores.axes(hour_angle, declination + 0.01, hemisphere, math)[0]
            assert sum([(later[n] - axes[0][n]) * axes[1][n] for n in range(3)]) > 0.008
            assert sum([(higher[n] - axes[0][n]) * axes[2][n] for n in range(3)]) > 0.008
