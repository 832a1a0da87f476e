"""The bench: what a sweep tells of each bore, what it does not, and sweeps that are wrong."""

import json
from dataclasses import replace

import numpy as np
import pytest
from tests.host import dials
from tests.host.benches import laid, rows_of_slots, swept

from dialbench.aperture import SweepError, apertures
from dialbench.aperture import sweep as sweeps
from dialbench.aperture.result import RANGE
from dialbench.aperture.sweep import Sweep
from dialbench.csvtable import TableError

SMALL = rows_of_slots(rows=2, bores=4)


@pytest.fixture(scope="module")
def bench():
    """(sweep, light, the dial as it was made) of a small dial before a lamp."""
    return swept(SMALL, 1000.0, seed=3, step_deg=0.2, rays=512)


@pytest.fixture(scope="module")
def found(bench):
    sweep, light, _ = bench
    return apertures(SMALL, sweep, light, distance_mm=1000.0, distance_sigma_mm=2.0)


def test_bores_are_found_as_they_were_made(bench, found):
    real = bench[2]
    assert found.fit.settled and found.sentences()
    for one in found.bores():
        made = real.bores[one["bore"]]
        for name, least in (("entry_mm", 0.03), ("exit_mm", 0.03), ("hour_angle_deg", 0.5)):
            off = one[name]["value"] - getattr(made, name)
            assert abs(off) < 3.5 * one[name]["sigma"], (name, one)
            assert one[name]["sigma"] < least
        assert one["needs"] == [] and one["declination_deg"] is None
    # What was drawn would not do: the bores were made otherwise.
    drawn = [abs(m.entry_mm - b.entry_mm) for m, b in zip(real.bores, SMALL.bores, strict=True)]
    wide = [one["entry_mm"]["sigma"] for one in found.bores()]
    assert max(np.array(drawn) / wide) > 5


def test_the_shaft_is_found_with_its_noise(found):
    facts = found.as_dict()
    back = facts["shaft"]["backlash_deg"]
    assert abs(back["value"] - 0.1) < 4 * back["sigma"] < 0.03
    zero = facts["shaft"]["zero_deg"]
    assert abs(zero["value"] - 20.0) < 4 * zero["sigma"]
    assert 0.008 < facts["noise"]["level_share"] < 0.012
    json.dumps(facts, allow_nan=False)


def test_a_first_harmonic_that_few_bores_cannot_tell_gets_no_number():
    few = laid(
        [(0.0, 0.0, [(-5.0, 0.0, "slot", 0.6, 3.5, 50.0), (5.0, 0.0, "slot", 0.6, 3.5, 50.0)])]
    )
    sweep, light, _ = swept(few, 1000.0, step_deg=0.2, rays=256)
    told = apertures(few, sweep, light, distance_mm=1000.0, distance_sigma_mm=2.0)
    assert told.as_dict()["shaft"]["first_harmonic_deg"] is None
    assert any("first harmonic" in sentence for sentence in told.sentences())


def test_bores_that_the_sweep_does_not_show_are_named(bench):
    sweep, light, _ = bench
    turned = np.degrees(sweep.angle) + 20.0  # as the body sees it, but for half a degree
    # From beside one bore's axis to the last but one.
    some = np.flatnonzero((turned > SMALL.bores[0].hour_angle_deg + 0.4) & (turned < 40.0))
    told = apertures(
        SMALL, sweep.rows(some), light.rows(some), distance_mm=1000.0, distance_sigma_mm=2.0
    )
    needs = {one["bore"]: one["needs"] for one in told.bores() if one["needs"]}
    last = max(range(8), key=lambda n: SMALL.bores[n].hour_angle_deg)
    assert set(needs) == {0, last}
    assert needs[last] == ["not covered by the sweep"]
    assert "one side only" in needs[0][0] and "earlier" in needs[0][0]
    assert told.bores()[0]["entry_mm"] is None and told.bores()[last]["hour_angle_deg"] is None
    assert any("Needs a pass, bore 0:" in sentence for sentence in told.sentences())


def test_edges_in_another_bores_light_ask_for_a_cover():
    slot = ("slot", 0.6, 3.5, 50.0)
    dial = laid([(0.0, 0.0, [(h, 0.0, *slot) for h in (-9.0, -1.5, 1.5, 9.0)])])
    sweep, light, real = swept(dial, 1000.0, step_deg=0.2, rays=128)
    told = apertures(dial, sweep, light, distance_mm=1000.0, distance_sigma_mm=2.0).bores()
    assert "cover" in told[1]["needs"][0] and "later" in told[1]["needs"][0]
    assert "cover" in told[2]["needs"][0] and "earlier" in told[2]["needs"][0]
    assert told[0]["needs"] == told[3]["needs"] == []
    # The cover is put on: that bore's light is gone, and the other's edges are free.
    closed = replace(real, bores=tuple(b for n, b in enumerate(real.bores) if n != 2))
    sweep, light, _ = swept(closed, 1000.0, made=False, step_deg=0.2, rays=128)
    told = apertures(
        dial, sweep, light, distance_mm=1000.0, distance_sigma_mm=2.0, covered=frozenset({2})
    ).bores()
    assert told[1]["needs"] == [] and told[2]["needs"] == ["was covered"]
    assert abs(told[1]["entry_mm"]["value"] - real.bores[1].entry_mm) < 0.05


def test_a_blocked_bore_is_named(bench):
    sweep, light, _ = bench
    dead = np.where(sweep.channel == 1, 0.02 + 0.01 * np.sin(np.arange(len(sweep))), sweep.level)
    told = apertures(
        SMALL, replace(sweep, level=dead), light, distance_mm=1000.0, distance_sigma_mm=2.0
    )
    for one in told.bores():
        blocked = any("no light came" in need for need in one["needs"])
        assert blocked is (one["channel"] == 1)


def test_false_levels_are_doubted_and_change_little(bench, found):
    sweep, light, _ = bench
    rng = np.random.default_rng(5)
    false = rng.random(len(sweep)) < 0.02
    level = np.where(false, rng.uniform(0, 1, len(sweep)), sweep.level)
    told = apertures(
        SMALL, replace(sweep, level=level), light, distance_mm=1000.0, distance_sigma_mm=2.0
    )
    assert told.as_dict()["samples"]["doubted"] > 0.5 * false.sum()
    for before, after in zip(found.bores(), told.bores(), strict=True):
        moved = after["entry_mm"]["value"] - before["entry_mm"]["value"]
        assert abs(moved) < RANGE * before["entry_mm"]["sigma"]


@pytest.mark.deep
@pytest.mark.timeout(300)
def test_round_bores_are_found_too():
    dial = laid(
        [
            (-20.0, -8.0, [(h, 0.0, "round", 2.0, 3.0, 0.0) for h in (-30.0, -2.0, 31.0)]),
            (20.0, 8.0, [(h, 0.0, "round", 2.0, 2.0, 0.0) for h in (-15.0, 14.0)]),
        ]
    )
    sweep, light, real = swept(dial, 800.0, step_deg=0.25, rays=512, height_mm=0.0)
    told = apertures(dial, sweep, light, distance_mm=800.0, distance_sigma_mm=2.0).bores()
    for one in told:
        made = real.bores[one["bore"]]
        assert abs(one["hour_angle_deg"]["value"] - made.hour_angle_deg) < 0.3
        if one["entry_mm"] is not None:
            assert abs(one["entry_mm"]["value"] - made.entry_mm) < 4 * one["entry_mm"]["sigma"]


def other(bench, **changed):
    sweep, light, _ = bench
    return apertures(
        changed.pop("dial", SMALL),
        replace(sweep, **changed),
        light,
        distance_mm=1000.0,
        distance_sigma_mm=2.0,
    )


def test_an_angle_that_counts_the_other_way_is_named_and_can_be_said(bench, found):
    sweep, light, _ = bench
    back = replace(sweep, angle=-sweep.angle, turning=-sweep.turning)
    with pytest.raises(SweepError, match="--reversed.*or the dial is mirrored"):
        other(bench, angle=-sweep.angle, turning=-sweep.turning)
    with pytest.raises(SweepError, match="so without --reversed"):
        apertures(SMALL, sweep, light, distance_mm=1000.0, reversed=True)
    told = apertures(SMALL, back, light, distance_mm=1000.0, distance_sigma_mm=2.0, reversed=True)
    for one, before in zip(told.bores(), found.bores(), strict=True):
        assert one["entry_mm"]["value"] == pytest.approx(before["entry_mm"]["value"], abs=2e-3)


def test_a_mirrored_dial_is_named(bench):
    mirrored = replace(
        SMALL,
        channels=tuple(replace(c, y_mm=-c.y_mm) for c in SMALL.channels),
        bores=tuple(replace(b, hour_angle_deg=-b.hour_angle_deg) for b in SMALL.bores),
    )
    lopsided = replace(mirrored, bores=mirrored.bores)
    with pytest.raises(SweepError, match="mirrored|is it the dial"):
        other(bench, dial=lopsided)


def test_radians_are_named(bench):
    with pytest.raises(SweepError, match=r"as radians: write degrees"):
        other(bench, angle=np.radians(bench[0].angle))


def test_another_dial_is_named(bench):
    elsewhere = laid(
        [
            (0.0, -30.0, [(h, 0.0, "slot", 0.6, 3.5, 50.0) for h in (-41.0, -37.0, 3.0)]),
            (9.0, 30.0, [(h, 0.0, "slot", 0.6, 3.5, 50.0) for h in (11.0, 18.0, 44.0)]),
        ]
    )
    with pytest.raises(SweepError, match="is it the dial of this file"):
        other(bench, dial=elsewhere)


def test_a_sweep_in_the_dark_is_told(bench):
    with pytest.raises(SweepError, match="did light reach the dial"):
        other(bench, level=0.0 * bench[0].level)


# -- files

ROWS = "angle_deg,channel,level\n10.0,0,0.5\n10.1,0,0.6\n10.1,1,-0.01\n"


def parsed(text, sun=False):
    return sweeps.parse(text.encode(), "bench.csv", 2, sun)


def problems(text, sun=False):
    with pytest.raises(TableError) as caught:
        parsed(text, sun)
    return caught.value.problems


def test_a_file_is_read_as_it_stands():
    sweep = parsed(ROWS)
    assert np.degrees(sweep.angle).tolist() == pytest.approx([10.0, 10.1, 10.1])
    assert sweep.channel.tolist() == [0, 0, 1] and sweep.level.tolist() == [0.5, 0.6, -0.01]
    assert sweep.utc_us is None and sweep.height_mm is None
    more = parsed("utc,height_mm,level,channel,angle_deg\n2027-04-16T12:00:00Z,-20,1e-3,1,-7\n")
    assert more.height_mm.tolist() == [-20.0] and more.utc_us.tolist() == [1_807_876_800_000_000]
    sun = parsed("utc,channel,level\n2027-04-16T12:00:00Z,1,2\n", sun=True)
    assert sun.angle is None and sun.level.tolist() == [2.0]


@pytest.mark.parametrize(
    ("text", "sun", "words"),
    [
        ("angle_deg,level\n1,2\n", False, "the column channel is missing"),
        ("utc,channel,level\n", False, "the column angle_deg is missing"),
        ("angle_deg,channel,level\n1,0,1\n", True, "the column utc is missing"),
        (ROWS + "10.2,7,0.1\n", False, "line 5: channel: is '7'; write a channel of the dial"),
        (ROWS + "ten,0,0.1\n", False, "line 5: angle_deg: is 'ten'; write the shaft's angle"),
        (ROWS + "1e9,0,0.1\n", False, "angle_deg: is '1e9'"),
        (ROWS + "10.2,0,nan\n", False, "level: is 'nan'; write the light"),
        (ROWS + "10.2,0\n", False, "has 2 cells, the heading 3"),
        ("angle_deg,channel,level\n", False, "has no line but its heading"),
        ("", False, "the column angle_deg is missing"),
    ],
)
def test_mistakes_in_a_file_are_told(text, sun, words):
    assert any(words in problem for problem in problems(text, sun)), problems(text, sun)


def test_angles_run_on_over_the_full_turn_and_turn_back():
    up = np.arange(350.0, 372.0, 0.5)
    angle_deg = np.concatenate((up, up[::-1])) % 360
    sweep = Sweep.of(np.zeros(len(angle_deg), np.int64), angle_deg, angle_deg)
    assert np.degrees(np.ptp(sweep.angle)) == pytest.approx(21.5)
    ways = sweep.turning
    assert ways[: len(up)].tolist() == [1] * len(up) and ways[-1] == -1
    assert int((np.diff(ways) != 0).sum()) == 1


def test_a_shaft_that_trembles_does_not_turn_about():
    rng = np.random.default_rng(2)
    angle_deg = np.arange(0.0, 30.0, 0.05) + rng.uniform(-0.05, 0.05, 600)
    sweep = Sweep.of(np.zeros(600, np.int64), angle_deg, angle_deg)
    assert set(sweep.turning.tolist()) == {1}


def test_the_south_is_swept_like_the_north():
    dial = rows_of_slots(rows=2, bores=3, site=dials.SOUTH)
    sweep, light, real = swept(dial, 1000.0, step_deg=0.25, rays=256)
    told = apertures(dial, sweep, light, distance_mm=1000.0, distance_sigma_mm=2.0)
    for one in told.bores():
        made = real.bores[one["bore"]]
        assert abs(one["entry_mm"]["value"] - made.entry_mm) < 4 * one["entry_mm"]["sigma"]
