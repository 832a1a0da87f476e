"""What a change does to angles, against bodies deformed point by point."""

import math

import numpy as np
import pytest

from dialbench import dialfile
from dialbench.material import MATERIALS, Conditions, MaterialError, effects, facts, named

S_PER_RAD = 43200 / math.pi


@pytest.fixture(scope="module")
def dial():
    return dialfile.demo()


def angle(field, at, way):
    """How far a short line at a point, in the xy plane, is turned by a field of displacement."""
    at, way = np.array(at, float), np.array(way, float)
    step = 1e-3
    moved = way + (field(at + step * way) - field(at)) / step
    return abs(math.atan2(way[0] * moved[1] - way[1] * moved[0], way @ moved))


def by_change(dial, name, **met):
    return [one.reading_s for one in effects(dial, named(name), Conditions(**met))]


def test_expansion_alike_in_all_directions_changes_no_reading(dial):
    a = MATERIALS["aluminium"].along_ppm_K * 1e-6 * 60
    assert angle(lambda p: a * p, (30, 40), (0.6, 0.8)) == pytest.approx(0, abs=1e-12)
    same, uneven, *_ = by_change(dial, "aluminium", warmer_K=60)
    assert (same, uneven) == (0, 0)


def test_uneven_expansion_shears(dial):
    oak = MATERIALS["oak"]
    rates = np.array([oak.along_ppm_K, oak.across_ppm_K]) * 1e-6 * 30
    most = max(
        angle(lambda p: rates * p, (20, 10), (math.cos(t), math.sin(t)))
        for t in np.linspace(0, math.pi, 181)
    )
    assert by_change(dial, "oak", warmer_K=30)[1] == pytest.approx(most * S_PER_RAD, rel=0.01)


def test_a_gradient_bends(dial):
    """The displacement of a free body whose temperature rises evenly along x (Timoshenko and
    Goodier, Theory of Elasticity, from memory): no stress, lines across become arcs."""
    rate = MATERIALS["PLA"].across_ppm_K * 1e-6
    slope = rate * 12 / dial.body.front_mm

    def field(p):
        x, y = p
        return slope * np.array([(x * x - y * y) / 2, x * y])

    edge = max(dial.body.length_mm / 2, dial.body.radius_mm)
    turned = angle(field, (0, edge), (1, 0))
    assert by_change(dial, "PLA", gradient_K=12)[2] == pytest.approx(turned * S_PER_RAD, rel=0.01)


def test_a_film_narrows_what_a_bore_lets_in(dial):
    """The angle of half light by the formula of a tapered slot, before and after."""
    shortest = min(dial.bores, key=lambda bore: bore.length_mm)
    film_mm, step = 0.1, 1e-5

    def half_angle(entry, exit):
        for t in np.arange(0, 0.2, step):
            open_mm = (exit + entry) / 2 - shortest.length_mm * math.tan(t)
            if max(0, min(open_mm, exit)) / exit < 0.5:
                return t
        raise AssertionError("never dark")

    entry, exit = shortest.entry_mm, shortest.exit_mm
    narrower = half_angle(entry, exit) - half_angle(entry - 2 * film_mm, exit - 2 * film_mm)
    told = by_change(dial, "steel", film_mm=film_mm)[4]
    assert told == pytest.approx(narrower * S_PER_RAD, rel=0.02)


def test_a_foot_tilts(dial):
    assert by_change(dial, "granite", sunk_mm=1, footing_mm=300)[5] == pytest.approx(
        math.atan2(1, 300) * S_PER_RAD, rel=1e-3
    )


def test_every_effect_grows_with_its_cause_alone(dial):
    calm = Conditions(0, 0, 0, 0, 0, 200)
    assert [one.reading_s for one in effects(dial, named("oak"), calm)] == [0] * 6
    causes = {"warmer_K": {1}, "gradient_K": {2}, "moister_percent": {3}, "film_mm": {4}}
    for cause, expected in {**causes, "sunk_mm": {5}}.items():
        found = effects(dial, named("oak"), Conditions(**{**vars(calm), cause: 0.1}))
        assert {k for k, one in enumerate(found) if one.reading_s} == expected


def test_a_material_is_named_and_facts_say_whence(dial):
    assert named(" pla ") is MATERIALS["PLA"]
    with pytest.raises(MaterialError, match=r"--of cheese: choose one of aluminium, brass"):
        named("cheese")
    told = facts(dial, named("PLA"), Conditions())
    assert told["material"]["source"] == "handbook values, from memory"
    assert len(told["effects"]) == 6
