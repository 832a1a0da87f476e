"""Wood too thin to be made: where it is, and what it does to light."""

import math
from dataclasses import replace

import numpy as np
import pytest

from dialbench.dial import Body, Bore, Channel, Dial, Plan, Site
from dialbench.pockets import pockets
from dialbench.rays.stray import CELL_DEG, Stray
from dialbench.rays.tracer import Tracer
from dialbench.rays.voids import NO_CHANNEL, Voids
from dialcore import frames

SITE = Site("Gannet Holm", 41.2, -16.4, 24.0, "-01:00", 1010.0, 10.0)
SOUTH = replace(SITE, latitude_deg=-41.2)
EXIT_MM, TAPER_DEG, APART_DEG = 0.5, 1.0, 8.0


def slot(hour_angle_deg, channel=0, length_mm=25.0):
    entry_mm = EXIT_MM + 2 * length_mm * math.tan(math.radians(TAPER_DEG))
    return Bore(channel, hour_angle_deg, 0.0, "slot", EXIT_MM, entry_mm, length_mm, 47.0)


def dial(wall_mm, *bores, site=SITE):
    channels = tuple(Channel(0.0, 12.0 * k, 0, k) for k in range(1 + max(b.channel for b in bores)))
    body = Body(60.0, 120.0, 25.0, wall_mm)
    return Dial("thin", site, channels, Plan("apparent", 15.0, ()), body, bores)


def thickness_mm(along_mm):
    """Of the wood between two slots APART_DEG apart, that far along the middle between them."""
    corner = np.array([EXIT_MM / 2 * math.cos(math.radians(APART_DEG / 2)), 0.0])
    corner[1] = -EXIT_MM / 2 * math.sin(math.radians(APART_DEG / 2))
    # One slot's wall: from its exit's corner, so far from the middle.
    turn = math.radians(APART_DEG / 2 - TAPER_DEG)
    return 2 * (-corner[0] + (along_mm - corner[1]) * math.tan(turn))


@pytest.mark.parametrize("wall_mm", [0.2, 0.5, 1.0])
def test_a_pocket_ends_where_the_wall_is_thick_enough(wall_mm):
    (found,) = pockets(dial(wall_mm, slot(10.0), slot(10.0 + APART_DEG)))
    assert found.hour_angle_deg == pytest.approx(10.0 + APART_DEG / 2)
    # Exits turned against each other: corners lie within a hundredth of the sketch's.
    assert thickness_mm(found.length_mm) == pytest.approx(wall_mm, abs=0.01)


def test_no_pocket_without_a_least_wall_or_where_slots_meet_or_of_other_channels():
    assert pockets(dial(0.0, slot(10.0), slot(18.0))) == ()
    assert pockets(dial(0.5, slot(10.0), slot(11.9))) == ()  # they widen into each other
    assert pockets(dial(0.5, slot(10.0), slot(18.0, channel=1))) == ()
    assert pockets(dial(0.5, slot(10.0))) == ()


def test_a_slot_within_another_hides_no_wall():
    wide = replace(slot(10.0), entry_mm=12.0)  # 13 degrees to either side
    assert pockets(dial(0.5, wide, slot(11.0), slot(32.0))) == pockets(dial(0.5, wide, slot(32.0)))


def test_pockets_belong_to_no_channel_and_come_last():
    voids = Voids.of(dial(0.5, slot(10.0), slot(18.0)), 0.0, 1.0)
    assert voids.channel.tolist() == [0, 0, NO_CHANNEL]
    assert np.isinf(voids.front[:2]).all() and np.isfinite(voids.front[2])


@pytest.mark.parametrize("site", [SITE, SOUTH])
def test_a_wall_too_thin_everywhere_lets_the_light_through(site):
    """Rays and the field of stray light alike; own bores alone would be dark there."""
    middle = np.radians([14.0])
    for wall_mm, lit in ((0.5, 0.0), (50.0, 1.0)):
        here = dial(wall_mm, slot(10.0), slot(18.0), site=site)
        sun = frames.direction(middle, np.zeros(1), site.hemisphere, np)
        assert Tracer(here).lit_fractions(sun, 0.267)[0, 0] == lit
        hours_deg, cells = Stray(here).line(0, 10.0, 18.0)
        assert cells[round((14.0 - hours_deg[0]) / CELL_DEG), 0] == lit


def test_the_tip_of_a_wall_casts_no_shadow_of_its_own():
    """A wall's shadow is that of its outer end: without its tip no ray more gets out."""
    hours_deg = np.linspace(10.0, 18.0, 161)
    sun = frames.direction(np.radians(hours_deg), np.zeros(161), 1, np)

    def light(wall_mm):
        return Tracer(dial(wall_mm, slot(10.0), slot(18.0)), rays=256).lit_fractions(sun, 0.267)

    assert pockets(dial(1.2, slot(10.0), slot(18.0)))[0].length_mm < 20
    assert (light(1.2) == light(0.0)).all()
    assert (light(6.0) > light(0.0)).any()
