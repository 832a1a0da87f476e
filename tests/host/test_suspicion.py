"""Wrong inputs, each as its maker would bring it in: found, named and told how to mend.

Light is traced through the body that really stands there.
"""

import json
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest
from tests.host import sampled
from tests.host.dials import SOUTH
from tests.host.traced import both, changed, imported, log_of, spelt, truth_of
from tests.host.typed import typed

from dialbench import dialfile
from dialbench.dial import Dial
from dialbench.fabricate import compensate
from dialbench.sky import Sky
from dialbench.solve.suspicion import Suspicion, SuspicionError, refused, suspicions

DAY, LATER = date(2027, 12, 12), date(2027, 12, 15)
POSE_DEG = (0.7, -0.6, 0.8)
STEP_US = 60_000_000


def mirrored(dial: Dial) -> Dial:
    """The body reversed east to west, channels going with their exits."""
    return replace(
        dial,
        channels=tuple(replace(one, y_mm=-one.y_mm) for one in dial.channels),
        bores=tuple(replace(one, hour_angle_deg=-one.hour_angle_deg) for one in dial.bores),
    )


def at(dial, **place):
    return replace(dial, site=replace(dial.site, **place))


@pytest.fixture(scope="module")
def dial():
    return spelt(6, 12)


def log(dial, day=DAY, seed=1, pose_deg=POSE_DEG):
    return log_of(
        truth_of(dial, seed, pose_deg), Sky(dial.site), [day], seed, false=0.01, step_us=STEP_US
    )


@pytest.fixture(scope="module")
def sound(dial):
    return log(dial)


def swapped(count, a, b):
    order = np.arange(count)
    order[[a, b]] = b, a
    return order


@pytest.fixture
def solve(tmp_path, capsys, dial):
    """Bring a log in with a dial's file, and solve it."""

    def run(logged, *more, command="solve", of=dial):
        store = imported(typed, capsys, tmp_path, logged, of)
        return typed(capsys, command, store, *more)

    return run


WRONG = {
    "another zone": (
        lambda log, dial: changed(log, late=timedelta(hours=2)),
        "The clock seems to be UTC+2: ",
        "subtract 2 h from the log's times",
    ),
    "the site's own zone": (
        lambda log, dial: changed(log, late=timedelta(hours=-1)),
        "The clock seems to be UTC-1, the zone of Gannet Holm",
        "add 1 h to the log's times",
    ),
    "a zone of quarters": (
        lambda log, dial: changed(log, late=timedelta(hours=5, minutes=45)),
        "The clock seems to be UTC+5:45",
        "subtract 5 h 45 min",
    ),
    "a clock that was not set": (
        lambda log, dial: changed(log, late=timedelta(hours=3, minutes=16, seconds=30)),
        "which is no time zone",
        "correct the log's times",
    ),
    "a cable the wrong way round": (
        lambda log, dial: changed(log, np.arange(6)[::-1]),
        "The channels are turned by half a turn",  # its ends are those of the face, too
        "mend the wiring",
    ),
    "a connector off by one": (
        lambda log, dial: changed(log, np.roll(np.arange(6), 1)),
        "The connector of channels 0 to 5 sits 1 too far",
        "mend the wiring",
    ),
    "a log in mirror order": (
        lambda log, dial: changed(log, np.arange(6) ^ 1),
        "channels are in mirror order, left for right",
        "mend the wiring",
    ),
    "a mirrored body": (
        lambda _, dial: log(mirrored(dial)),
        "reversed east to west",
        "turn the signs of hour_angle_deg",
    ),
    "a mirrored body with its channels told as one sees them": (
        lambda _, dial: changed(log(mirrored(dial)), np.arange(6) ^ 1),
        "reversed east to west",
        "turn the signs of hour_angle_deg",
    ),
    "a southern dial in a northern file": (
        lambda _, dial: log(at(dial, latitude_deg=-41.2)),
        "it is a southern dial in a northern file",
        "write latitude_deg = -41.2",
    ),
    "a northern body beyond the equator": (
        lambda _, dial: log(mirrored(at(dial, latitude_deg=-41.2))),
        "it is a southern dial in a northern file",
        "write latitude_deg = -41.2",
    ),
    "east for west": (
        lambda _, dial: log(at(dial, longitude_deg=16.4)),
        "as they would at the other longitude",
        "write longitude_deg = 16.4",
    ),
    "another dial's log": (
        lambda _, dial: log(spelt(6, 12, seed=8)),
        "come where this dial's would no more than by chance",
        "--dial",
    ),
    "two dials at once": (
        lambda sound, dial: both(sound, log(spelt(6, 12, seed=8))),
        "the log holds those of two dials",
        "bring each dial's log in by itself",
    ),
    "two bodies of one dial at once": (
        lambda sound, dial: both(sound, log(dial, seed=5, pose_deg=(0.2, -0.5, -0.9))),
        "the log holds those of two dials",
        "bring each dial's log in by itself",
    ),
    "two dials one after the other": (
        lambda _, dial: both(log(dial), log(spelt(6, 12, seed=8), LATER)),
        "Of the days looked at 2027-12-15",
        "bring in each part by itself",
    ),
}


@pytest.mark.parametrize("what", WRONG)
def test_a_wrong_input_is_named_and_nothing_is_solved(what, dial, sound, solve):
    spoil, named, mend = WRONG[what]
    ran = solve(spoil(sound, dial))
    assert ran.returncode == 2, ran.stdout
    assert named in ran.stderr and mend in ran.stderr
    assert ran.stdout == "" and len(ran.stderr.strip().splitlines()) == 1


def test_who_solves_for_another_end_refuses_a_wrong_log_too(dial, sound, solve, tmp_path, capsys):
    ran = solve(changed(sound, late=timedelta(hours=2)), command="health")
    assert ran.returncode == 2 and "The clock seems to be UTC+2" in ran.stderr
    words = ("--pose-goal", "0.1", "--from", "2027-12-20", "--after", tmp_path / "store.sqlite")
    ran = typed(capsys, "campaign", tmp_path / "dial.toml", *words)
    assert ran.returncode == 2 and "The clock seems to be UTC+2" in ran.stderr
    noon = ("--from", "2027-12-19T12:00Z")
    ran = typed(capsys, "suntime", tmp_path / "store.sqlite", *noon)
    assert ran.returncode == 2 and "The clock seems to be UTC+2" in ran.stderr


def test_a_log_does_not_tell_on_itself(dial, sound, solve, tmp_path, capsys):
    ran = solve(sound, command="suntime")
    assert ran.returncode == 2 and "more than 12 h before the time in question" in ran.stderr
    itself = ("--known-by", tmp_path / "store.sqlite")
    ran = typed(capsys, "suntime", tmp_path / "store.sqlite", *itself)
    assert ran.returncode == 2 and "is the very log in question" in ran.stderr


def test_no_dial_on_the_equator_is_sent_to_the_other_hemisphere(dial):
    there = at(dial, latitude_deg=0.0)
    (found,) = suspicions(log(mirrored(there)), there, Sky(there.site))
    assert found.kind == "mirrored" and "hour_angle_deg" in found.sentence
    assert "latitude_deg" not in found.sentence and "Sun is down" not in found.sentence


def test_a_southern_dial_is_suspected_of_nothing():
    there = spelt(6, 12, site=SOUTH)
    rng = np.random.default_rng(3)
    made = sampled.drawn_by_lot(there, rng, POSE_DEG)
    assert suspicions(sampled.logged(made, Sky(SOUTH), [DAY], rng)[0], there, Sky(SOUTH)) == []


def test_exchanged_channels_are_named_and_left_out(dial, sound, solve):
    (found,) = suspicions(changed(sound, swapped(6, 1, 5)), dial, Sky(dial.site))
    assert found.channels == (1, 5) and not found.hopeless
    ran = solve(changed(sound, swapped(6, 1, 5)), command="compare")
    assert ran.returncode == 0
    assert "channels 1 and 5 are exchanged" in ran.stdout


def test_a_dial_file_of_another_hash_is_named_with_both(dial, solve, tmp_path):
    other = spelt(6, 12, seed=8)
    (tmp_path / "wrong.toml").write_text(dialfile.dump(dial))
    ran = solve(log(other), "--dial", tmp_path / "wrong.toml", of=other)
    assert ran.returncode == 2
    assert f"the log was made with dial {other.hash}, and this is dial {dial.hash}" in ran.stderr
    assert ran.stderr.count("name the dial.toml") == 1


def test_a_mended_file_of_another_hash_is_but_warned_of(dial, sound):
    sun = Sky(dial.site)
    (found,) = suspicions(replace(sound, dial_hash="0123456789abcdef"), dial, sun)
    assert found.kind == "hash" and not found.hopeless
    assert "0123456789abcdef" in found.sentence and dial.hash in found.sentence


def test_observed_time_that_holds_the_night_is_but_warned_of(dial, sound):
    (start_us, end_us), night_us = sound.observed[0], 3 * 3_600_000_000
    late = replace(sound, observed=[(start_us, end_us + night_us)])
    (found,) = suspicions(late, dial, Sky(dial.site))
    assert found.kind == "site" and not found.hopeless


@pytest.mark.parametrize("turned_deg", [2.0, -4.5])
def test_a_body_that_is_turned_too_far_is_no_wrong_input(dial, turned_deg):
    turned = log(dial, pose_deg=(0.5, 0.5, turned_deg))
    assert suspicions(turned, dial, Sky(dial.site)) == []


def test_a_sound_log_is_suspected_of_nothing(sound, solve):
    told = json.loads(solve(sound, "--json", command="compare").stdout)
    assert told["suspicions"] == []


@pytest.mark.deep
@pytest.mark.timeout(300)
def test_a_sound_log_is_solved_and_advised_on(dial, sound, solve, tmp_path):
    feet = ("--feet", "-75,150 -75,-150 300,0")
    ran = solve(sound, *feet, "--compensation", tmp_path / "errors.toml", "--json")
    assert ran.returncode == 0, ran.stderr
    told = json.loads(ran.stdout)
    assert told["suspicions"] == []
    # One day tells the base's turn and tilts but in part, and what it tells is to be undone.
    base = told["advice"]["base"]
    assert base["gain"]["share"] > 1.96 * base["gain"]["sigma"] > 0.01
    assert told["advice"]["feet_mm"][2] == {"east": 0.0, "north": 300.0}
    assert told["compensation"]["dial"] == dial.hash
    kept = compensate.load_for(dial, tmp_path / "errors.toml")
    assert kept.model_dump(exclude_defaults=True) == told["compensation"]


def test_every_hopeless_fault_is_a_line_of_the_refusal():
    faults = [Suspicion("a", "One is wrong.", True), Suspicion("b", "Another is.", True)]
    refused([replace(faults[0], hopeless=False)])
    with pytest.raises(SuspicionError) as told:
        refused(faults)
    assert str(told.value).splitlines() == ["One is wrong.", "Another is."]
