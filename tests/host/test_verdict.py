"""The verdict's facts: signs north and south, what is told and what is not."""

import math
import re
from dataclasses import replace

import numpy as np
import pytest

from dialbench import predict
from dialbench.compare import Measured, compare
from dialbench.dial import Body, Bore, Channel, Dial, Plan, Site, Step
from dialbench.face import hour_steps, hours_and_quarters
from dialbench.layout import uniform
from dialbench.predict import Crossings
from dialbench.reading import Errors, Reading
from dialbench.sky import Sky
from dialbench.store import Losses
from dialbench.verdict import verdict
from dialcore import frames

S = 1_000_000
T0 = 1_800_000_000 * S
NORTH = Site("Gannet Holm", 41.2, -16.4, 24.0, "-01:00", 1013.0, 10.0)
SOUTH = replace(NORTH, latitude_deg=-41.2)
NO_LOSSES = Losses(0, 0, 0, 0, 0)
READ = Reading(
    5.5, 0.9604, 0.0101, 0.0295, Errors(52.5, -9.3, -1.1), Errors(9, 9, 0), Errors(9, 9, 0)
)
UNREAD = Reading(0.0, None, None, None, None, None, None)


def a_dial(site=NORTH, kind="apparent"):
    bores = tuple(Bore(n % 5, n, 0.0, "slot", 0.5, 5.0, 110.0, 60.0) for n in range(50))
    channels = tuple(Channel(0.0, 8.0 * n, 0, n) for n in range(5))
    plan = Plan(kind, 15.0, (Step(0, 660.0, "11:00", frozenset({0})),))
    return Dial("test", site, channels, plan, Body(70.0, 200.0), bores)


def compared(late_s, seed=1, scatter_s=24.0, drop=0, extra=0, hours=10.0, intervals=50):
    """Lit intervals 640 s apart, each late by late_s and its own making error.

    The sun shines from an hour before the first for some hours; of what is measured in
    it the first `drop` are left out, and `extra` more come where none is due.
    """
    rng = np.random.default_rng(seed)
    channel, threshold, rise, utc, late = [], [], [], [], []
    for n in range(intervals):
        error = rng.normal(0, scatter_s) if scatter_s else 0.0
        for t in range(3):
            for up in (True, False):
                channel.append(n % 5)
                threshold.append(t)
                rise.append(up)
                utc.append(T0 + (640 * n + (30 * t if up else 500 - 30 * t)) * S)
                late.append(round((late_s + error) * S))
    columns = [np.array(a) for a in (channel, threshold, np.array(rise, bool), utc, late)]
    order = np.argsort(columns[3], kind="stable")
    c, t, r, u, w = (a[order] for a in columns)
    start, end = T0 - 3600 * S, T0 - 3600 * S + round(hours * 3600 * S)
    keep = np.flatnonzero(u + w < end)[drop:]
    spurious = T0 + (640 * np.arange(extra) + 320) * S
    measured = Measured(
        np.concatenate((c[keep], np.full(extra, 77))),
        np.concatenate((t[keep], np.ones(extra, np.int64))),
        np.concatenate((r[keep], np.ones(extra, bool))),
        np.concatenate(((u + w)[keep], spurious)),
        np.full(len(keep) + extra, 0.02),
    )
    return compare(Crossings(c, t, r, u), measured, [(start, end)])


def unseen(predicted=True):
    empty = np.array([], np.int64)
    nothing = Measured(empty, empty, empty.astype(bool), empty, empty.astype(float))
    crossings = compared(0).predicted if predicted else Crossings(*([empty] * 4))
    return compare(crossings, nothing, [])


def judged(comparison, dial=None, reading=READ, duty=0.9812, losses=NO_LOSSES, sigma=0.02):
    return verdict(dial or a_dial(), comparison, reading, duty, losses, sigma)


def late_of_turned_body(site, wz_deg):
    """How late a body turned by wz about P's z meets the Sun, from the frames alone."""
    bore = frames.direction(math.radians(20), 0.0, site.hemisphere, math)
    turned = frames.apply(frames.rotation(0.0, 0.0, math.radians(wz_deg), math), bore)
    hour_angle, _ = frames.place(turned, site.hemisphere, math)
    return (math.degrees(hour_angle) - 20) * 240


def to_east(site, wz_deg):
    """Whether a turn by wz carries the noon side (P's x) towards east, through ENU."""
    moved = frames.apply(frames.rotation(0.0, 0.0, math.radians(wz_deg), math), (1.0, 0.0, 0.0))
    to_enu = frames.transpose(frames.polar_from_enu(math.radians(site.latitude_deg), math))
    return frames.apply(to_enu, moved)[0] > 0


def clockwise_back(site, wz_deg):
    """Whether undoing wz is clockwise for one who looks along z: right-hand rule, so if -wz > 0."""
    return -wz_deg > 0


@pytest.mark.parametrize("site", [NORTH, SOUTH], ids=["north", "south"])
@pytest.mark.parametrize("wz_deg", [0.6, -0.6, 2.0])
def test_turn_is_the_one_that_the_frames_say(site, wz_deg):
    late_s = late_of_turned_body(site, wz_deg)
    assert abs(late_s) == pytest.approx(abs(wz_deg) * 240)
    found = judged(compared(late_s), a_dial(site))
    assert found.turn_deg == pytest.approx(wz_deg, abs=0.04)
    text = found.text
    size = found.turn_deg
    assert f"turned {abs(size):.2f} deg" in text
    assert f"come {abs(size) * 240:.0f} s {'early' if late_s < 0 else 'late'}" in text
    away, back = ("east", "west") if to_east(site, wz_deg) else ("west", "east")
    assert f"noon side to the {away} " in text
    assert f"back to the {back}" in text
    hand = re.search(r"back to the \w+, (\w+) as seen looking along the axis", text)[1]
    assert (hand == "clockwise") == clockwise_back(site, wz_deg)
    assert f"to the {'north' if site is NORTH else 'south'} celestial pole" in text


@pytest.mark.parametrize(("latitude_deg", "late_s"), [(41.2, -144), (-41.2, 144)])
def test_prediction_for_a_turned_body_is_seen_as_that_turn(latitude_deg, late_s):
    """The predictor's pose, the matching and the verdict agree on the sign, north and south."""
    site = replace(NORTH, latitude_deg=latitude_deg)
    plan = Plan("apparent", 15.0, hour_steps("10:00", 15, 16))
    # No dip of this body's light comes near a threshold: where one does, it is a crossing
    # more or less by the chance of 256 rays.
    channels, body = hours_and_quarters(25.0, 31.0), Body(113.0, 280.0)
    bores = uniform(site, channels, plan, body, 0.25, 1.35, 48.0)
    dial, sky = Dial("test", site, channels, plan, body, bores), Sky(site)
    day = T0 // (86_400 * S) * 86_400 * S
    nominal = predict.crossings(dial, sky, day, day + 86_400 * S)
    turned = predict.crossings(dial, sky, day, day + 86_400 * S, pose_deg=(0.0, 0.0, 0.6))
    sigma_s = np.full(len(turned.utc_us), 0.02)
    measured = Measured(turned.channel, turned.threshold, turned.rise, turned.utc_us, sigma_s)
    comparison = compare(nominal, measured, [(day, day + 86_400 * S)])
    counts = comparison.counts
    assert counts["matched"] == counts["predicted"] > 300
    assert comparison.residual["median"] == pytest.approx(late_s, abs=0.5)
    assert judged(comparison, dial).turn_deg == pytest.approx(0.6, abs=0.002)


def test_standard_error_is_that_of_the_median_over_bores():
    medians = [compared(0, seed).residual["median"] for seed in range(200)]
    claimed = [judged(compared(0, seed)).common_sigma_s for seed in range(20)]
    assert np.mean(claimed) == pytest.approx(np.std(medians), rel=0.25)


def test_scatter_alone_is_hardly_ever_called_a_turn():
    called = sum(judged(compared(0, seed)).turn_deg is not None for seed in range(100))
    assert called <= 4
    quiet = judged(compared(0, seed=2)).text
    assert "too little" in quiet and "polar axis" not in quiet and "celestial" not in quiet


def test_a_common_residual_under_two_seconds_is_no_turn_however_exact():
    assert judged(compared(1.9, scatter_s=0.0)).turn_deg is None
    assert judged(compared(2.1, scatter_s=0.0)).turn_deg == pytest.approx(-2.1 / 240)


@pytest.mark.parametrize(("late_s", "word"), [(-144, "slow"), (144, "fast")])
def test_clock_error_is_named_as_the_twin_of_a_turn(late_s, word):
    comparison = compared(late_s)
    size = f"{abs(comparison.residual['median']):.0f} s"
    good = judged(comparison, sigma=0.02).text
    assert f"clock {size} {word} would look the same" in good
    assert "0.02 s" in good and "it is the body" in good
    bad = judged(comparison, sigma=90.0).text
    assert "90 s" in bad and "it is the body" not in bad and "first" in bad
    unknown = judged(comparison, sigma=None).text
    assert "not known" in unknown and "it is the body" not in unknown
    assert "clock" not in judged(compared(0, seed=2)).text.replace("clock error", "")


def test_counts_are_told_as_they_are():
    comparison = compared(0, drop=7, extra=2, hours=7.0)
    count = comparison.counts
    assert count["unobserved"] > 0 and count["missed"] == 7 and count["unexpected"] == 2
    found = judged(comparison)
    first, rows = found.sentences[0], dict(found.rows)
    due = count["matched"] + count["missed"]
    assert f"{count['matched']} of the {due} crossings due in 7.0 h" in first
    assert "7 were missed" in first and "2 came unexpected" in first
    assert f"{count['unobserved']} more could not be observed" in first
    assert rows["crossings predicted"] == "300"
    for name in ("matched", "missed", "unobserved"):
        assert rows[f"  {name}"] == str(count[name])
    assert rows["crossings unexpected"] == "2"


def test_a_share_is_never_rounded_up_to_all():
    comparison = compared(0, drop=1)
    assert comparison.counts["missed"] == 1
    assert "(99.7%), 1 was missed" in judged(comparison).sentences[0]
    nearly = judged(compared(0), reading=replace(READ, share_right=0.99999)).text
    assert "right face 99.9%" in nearly
    assert "right face 100%" in judged(compared(0), reading=replace(READ, share_right=1.0)).text


def test_reading_is_set_against_the_layout_and_the_clock():
    found = judged(compared(0))
    last, rows = found.sentences[-1], dict(found.rows)
    assert "5.5 h" in last and "96.0%" in last and "98.1%" in last
    assert "9.3 min behind" in last and "52.5 min ahead" in last
    assert "equation of time" in last and "longitude" in last and "7.5 min" in last
    assert rows["  right face"] == "96.0%" and rows["  by its layout"] == "98.1%"
    assert rows["worst error, zone time"] == "-9.3 min"
    assert rows["median error, zone time"] == "-1.1 min"
    assert "layout" not in judged(compared(0), duty=None).sentences[-1]
    assert "longitude" not in judged(compared(0), a_dial(kind="zone")).sentences[-1]


def test_faces_that_only_passed_give_no_worst_error():
    errors = Errors(52.5, None, 52.0)
    found = judged(compared(0), reading=replace(READ, zone=errors))
    assert "52.5" not in found.text and dict(found.rows)["worst error, zone time"] == "no data"
    never = judged(compared(0), reading=replace(READ, zone=None, share_right=0.0))
    assert "never showed a face" in never.text and "0.0%" in never.text


def test_losses_are_named_and_counted():
    lossless = judged(compared(0))
    assert "nothing logged was lost" in lossless.text and "blind" not in lossless.text
    lost = judged(compared(0), losses=Losses(12, 1, 3, 2, 2_500, 4))
    for words in ("12 records lost", "1 page not", "3 pages retired", "2 torn", "4 pages that"):
        assert words in lost.text
    assert "blind for 2.5 s" in lost.text and "nothing logged was lost" not in lost.text
    rows = dict(lost.rows)
    assert rows["records lost"] == "12" and rows["scan blind"] == "2.5 s"
    assert rows["pages missing, retired"] == "1, 3" and rows["pages torn, unreadable"] == "2, 4"


@pytest.mark.parametrize("predicted", [True, False])
def test_a_day_without_sun_gives_no_figures(predicted):
    found = judged(unseen(predicted), reading=UNREAD, duty=None, sigma=None)
    assert found.turn_deg is None and found.common_sigma_s is None
    assert len(found.sentences) == 1 and "no direct sun" in found.text
    assert re.findall(r"\d+", found.text) == (["300"] if predicted else [])
    rows = dict(found.rows)
    for name in ("residual, median", "residual, 95% within", "  right face", "  by its layout"):
        assert rows[name] == "no data"
    assert rows["worst error, zone time"] == "no data" and rows["direct sun"] == "0.00 h"
    for value in (found.text, *rows.values()):
        assert "nan" not in value and "None" not in value


def test_sun_outside_the_plan_and_between_crossings():
    comparison = compared(0)
    empty = compare(
        comparison.predicted,
        replace(
            comparison.measured,
            **{n: getattr(comparison.measured, n)[:0] for n in vars(comparison.measured)},
        ),
        [(T0 - 7200 * S, T0 - 3600 * S)],
    )
    found = judged(empty, reading=UNREAD)
    assert "In 1.0 h of direct sun none of the 300 predicted crossings was due" in found.text
    assert "Too few" in found.text and "plan fell in direct sun" in found.text
    assert "%" not in found.text


def test_few_matches_tell_no_turn_and_many_misses_point_to_the_set_up():
    few = judged(compared(-144, intervals=1))
    assert few.turn_deg is None and "Too few" in few.text and "site" not in few.text
    astray = judged(compared(0, drop=300))
    assert "0 of the 300" in astray.text and "site and the clock first" in astray.text


def test_texts_are_plain():
    for comparison in (compared(-144), compared(0), unseen()):
        found = judged(comparison)
        for text in (*found.sentences, *(part for row in found.rows for part in row)):
            assert text.isascii() and text.isprintable()
        assert all(sentence.endswith(".") for sentence in found.sentences)
        assert len(found.sentences) <= 4
