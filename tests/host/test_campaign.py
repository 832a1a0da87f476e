"""Plans of days against exhaustive search, against the arrow, and carried out in simulation.

Simulated logs come from rays through the true body (test_solve.logged), which know nothing of
the solver's formulas.
"""

import json
import math
import os
from dataclasses import replace
from datetime import date
from itertools import chain, combinations

import numpy as np
import pytest
from tests.host.dials import NOON
from tests.host.test_solve import logged, truth_of
from tests.host.typed import typed

from dialbench import campaign, dialfile
from dialbench.campaign import Goal, Weather, WeatherError
from dialbench.dial import Body, Bore, Channel, Dial
from dialbench.sky import Sky
from dialbench.solve import observe, solve
from dialbench.solve.arrow import Arrow, Normal
from dialbench.solve.unknowns import OFFSET, POSE, RATE

RUNS = int(os.environ.get("CAMPAIGN_RUNS", "20"))
CHANNELS, BORES, APART_DEG = 6, 8, 12.0
CLOUDY = (0.3, 0.3, 0.4, 0.5, 0.5, 0.6, 0.6, 0.6, 0.5, 0.4, 0.3, 0.2)


@pytest.fixture(scope="module")
def dial():
    """Six channels of eight slots each, so far apart that nothing strays."""
    channels = tuple(Channel(0.0, 80.0 * k - 200.0, k, 0) for k in range(CHANNELS))
    bores = tuple(
        Bore(k, APART_DEG * (n - 3.5 + k / CHANNELS), 0.0, "slot", 1.0, 4.0, 60.0, 50.0)
        for k in range(CHANNELS)
        for n in range(BORES)
    )
    site = dialfile.demo().site
    return Dial("few", site, channels, NOON, Body(60.0, 600.0), bores)


@pytest.fixture(scope="module")
def sky(dial):
    return Sky(dial.site)


@pytest.fixture(scope="module")
def fortnight(dial, sky):
    """Days in a row, few enough to try every choice of some of them."""
    return campaign.fresh(dial, sky, date(2027, 3, 1), date(2027, 3, 16), {}, Weather())


@pytest.fixture(scope="module")
def year(dial, sky):
    return campaign.fresh(dial, sky, date(2027, 1, 10), date(2028, 1, 9), {}, Weather())


def day(year, month, number):
    return date(year, month, number).toordinal()


def best(days, goal, count):
    """The nearest to the truth that so many days bring it, by trying every choice of them."""
    choices = map(frozenset, combinations(range(days.first, days.last + 1), count))
    return goal.within_deg * min(goal.shares(days.pose_deg2(some)).max() for some in choices)


def test_what_days_tell_together_is_what_the_arrow_has(fortnight):
    model = fortnight.model
    told = fortnight.known([fortnight.first, fortnight.first + 12])
    mean_s = told.ahead_s / told.count
    blocks = []
    for number, kind in enumerate(model.layout.kind):
        size = len(kind)
        side = told.side[number, :size].copy()
        side[:, RATE] -= mean_s * side[:, OFFSET]
        common = told.common.copy() if number == 0 else np.zeros_like(told.common)
        common[RATE] -= mean_s * common[OFFSET]
        common[:, RATE] -= mean_s * common[:, OFFSET]
        square = told.square[number, :size, :size]
        blocks.append(Normal(square, side, np.zeros(size), common, np.zeros(len(common))))
    arrow = Arrow(
        blocks,
        [1 / np.square(model.assumed.scatter[kind]) for kind in model.layout.kind],
        [np.zeros(len(kind)) for kind in model.layout.kind],
        model.common_precision,
        np.zeros(len(model.common_precision)),
    )
    np.testing.assert_allclose(
        model.covariance(told)[POSE, POSE], arrow.common_covariance[POSE, POSE], rtol=1e-5
    )


def test_two_days_tell_together_what_neither_tells(year):
    alone = [year.pose_deg2(frozenset({one})) for one in (day(2027, 2, 20), day(2027, 4, 16))]
    both = year.pose_deg2(frozenset({day(2027, 2, 20), day(2027, 4, 16)}))
    assert min(np.sqrt(one[0, 0]) for one in alone) > 0.3
    assert np.sqrt(both[0, 0]) < 0.02
    # As if each day had bores of its own: their information about the pose, added up.
    apart = np.linalg.inv(sum(np.linalg.inv(one) for one in alone))
    assert np.sqrt(both[1, 1]) < 0.2 * np.sqrt(apart[1, 1])


def test_the_goal_is_for_all_angles_at_once():
    rng = np.random.default_rng(3)
    goal = Goal(0.02)
    for seed in range(3):
        lean = np.random.default_rng(seed).normal(size=(3, 3))
        covariance = lean @ lean.T
        covariance *= (0.02 / goal.widths_deg(covariance).max()) ** 2
        assert goal.met(0.999 * covariance) and not goal.met(1.001 * covariance)
        drawn = rng.multivariate_normal(np.zeros(3), covariance, 20_000)
        assert np.mean((np.abs(drawn) < 0.02).all(axis=1)) > 0.945
    assert Goal(0.02, ("turn",)).sigmas == pytest.approx(1.95996, abs=1e-4)


@pytest.mark.parametrize("angles", [("azimuth", "altitude"), observe.ANGLES])
@pytest.mark.parametrize("count", [1, 2, 3, 4])
def test_a_plan_needs_no_more_days_than_the_best(fortnight, angles, count):
    within_deg = best(fortnight, Goal(1.0, angles), count)
    goal = Goal(1.01 * within_deg, angles)
    found = campaign.plan(fortnight, goal)
    assert found.reached and goal.met(fortnight.pose_deg2(found.chosen))
    assert len(found.chosen) <= 1.2 * count


def test_of_equal_plans_the_soonest_done_is_taken(year):
    found = campaign.plan(year, Goal(0.05))
    assert len(found.chosen) == 2
    earlier = range(year.first, max(found.chosen) - 2 * year.step, 3)
    pairs = map(frozenset, combinations(earlier, 2))
    assert not any(Goal(0.05).met(year.pose_deg2(pair)) for pair in pairs)


def test_turn_is_not_told_better_than_the_axes_allow(year, dial):
    found = campaign.plan(year, Goal(0.02))
    assert not found.reached
    (why,) = found.sentences()
    floor_deg = Goal(0.02).sigmas * 0.1 / np.sqrt(len(dial.bores))
    assert f"turn ({floor_deg:.2g} deg)" in why and "48 bores" in why
    assert "azimuth" not in why
    tilts = campaign.plan(year, Goal(0.02, ("azimuth", "altitude")))
    assert tilts.reached


def test_few_days_and_a_short_time_are_told_apart(fortnight):
    tilts = ("azimuth", "altitude")
    within_deg = 1.01 * best(fortnight, Goal(1.0, tilts), 3)
    found = campaign.plan(fortnight, Goal(within_deg, tilts), most=2)
    assert not found.reached and "--days-at-most" in found.sentences()[0]
    found = campaign.plan(fortnight, Goal(0.0001, ("altitude",)))
    assert not found.reached and "--until" in found.sentences()[0]


def test_where_the_sun_never_shows_nothing_is_planned(dial, sky, fortnight):
    goal = Goal(0.2, ("azimuth", "altitude"))
    assert campaign.plan(fortnight, goal).reached
    first, last = date(2027, 3, 1), date(2027, 3, 16)
    cloudy = campaign.fresh(dial, sky, first, last, {}, Weather((0.01,) * 12))
    found = campaign.plan(cloudy, goal)
    assert not found.reached and "95 of 100 skies" in found.sentences()[0]
    polar = replace(dial, site=replace(dial.site, latitude_deg=80.0))
    night = campaign.fresh(
        polar, Sky(polar.site), date(2027, 12, 1), date(2027, 12, 9), {}, Weather()
    )
    (why,) = campaign.plan(night, goal).sentences()
    assert "azimuth and altitude too uncertain" in why and "no light" in why


def probability(days, goal, chosen):
    """That enough of some days are clear, exactly: every course of the weather counted."""
    total = 0.0
    every = chain.from_iterable(combinations(chosen, n) for n in range(len(chosen) + 1))
    for clear in every:
        chance = np.prod(
            [
                days.weather.chance(one) if one in clear else 1 - days.weather.chance(one)
                for one in chosen
            ]
        )
        total += chance * goal.met(days.pose_deg2(frozenset(clear)))
    return total


def test_under_clouds_a_plan_needs_hardly_more_days_than_the_best(dial, sky):
    goal = Goal(0.2, ("azimuth", "altitude"))
    weather = Weather((0.7,) * 12)
    days = campaign.fresh(dial, sky, date(2027, 3, 1), date(2027, 3, 12), {}, weather)
    found = campaign.plan(days, goal)
    assert probability(days, goal, sorted(found.chosen)) > 0.94
    too_few = math.ceil(len(found.chosen) / 1.2) - 1
    for chosen in combinations(range(days.first, days.last + 1), too_few):
        assert probability(days, goal, chosen) < 0.95


@pytest.mark.deep
@pytest.mark.timeout(600)
def test_clouds_ask_for_more_days(dial, sky, year):
    goal = Goal(0.05)
    cloudy = campaign.fresh(dial, sky, date(2027, 1, 10), date(2028, 1, 9), {}, Weather(CLOUDY))
    found = campaign.plan(cloudy, goal)
    assert found.reached
    assert len(found.chosen) > len(campaign.plan(year, goal).chosen)
    exact = probability(cloudy, goal, sorted(found.chosen))
    assert exact == pytest.approx(found.probability, abs=0.02)
    assert exact > 0.935
    told = found.as_dict()
    assert [one["clear"] for one in told["days"]] == [
        CLOUDY[date.fromisoformat(one["date"]).month - 1] for one in told["days"]
    ]


@pytest.mark.deep
@pytest.mark.timeout(600)
def test_what_is_known_counts(dial, sky):
    days = (date(2027, 1, 15), date(2027, 3, 30))
    found = solve(logged(truth_of(dial, 2), sky, days, 2), dial, sky)
    more = campaign.after(found, sky, date(2027, 4, 1), date(2027, 9, 30), {}, Weather())
    # What the model says of the crossings is what the fit says of itself.
    model = np.sqrt(np.diag(more.pose_deg2(frozenset())))
    fitted = np.degrees(found.fit.sigma.common[POSE])
    np.testing.assert_allclose(model, fitted, rtol=0.1)
    easy = campaign.plan(more, Goal(1.1 * 2.39 * fitted.max()))
    assert easy.chosen == frozenset() and "already" in easy.sentences()[0]
    harder = Goal(0.7 * 2.39 * fitted[:2].max(), ("azimuth", "altitude"))
    assert len(campaign.plan(more, harder).chosen) == 1


@pytest.mark.deep
@pytest.mark.timeout(600)
@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_a_day_at_the_equinox_tells_the_turn_and_refuses_the_tilts(dial, sky, seed):
    true = truth_of(dial, seed)
    found = solve(logged(true, sky, (date(2027, 3, 20),), seed), dial, sky)
    azimuth, altitude, turn = found.pose.angles
    assert azimuth.value_deg is None and altitude.value_deg is None
    assert turn.value_deg == pytest.approx(true.pose_deg[2], abs=2 * turn.half_width_deg)
    assert {name for one in found.pose.untold for name in one.names} == {"azimuth", "altitude"}
    assert found.as_dict()["pose"]["azimuth"] is None


@pytest.mark.deep
@pytest.mark.timeout(600)
@pytest.mark.parametrize("when", [date(2027, 4, 16), date(2027, 2, 23)])
def test_a_day_at_ten_degrees_names_azimuth_and_turn(dial, sky, when):
    found = solve(logged(truth_of(dial, 2), sky, (when,), 2), dial, sky)
    widest = found.pose.untold[0]
    assert widest.names == ("azimuth", "turn")
    assert found.pose.angles[0].value_deg is None and found.pose.angles[2].value_deg is None
    mends = campaign.remedies(found, sky)
    assert len(mends) == len(found.pose.untold)
    mend = mends[0]
    said = found.sentences([one.sentence for one in mends])[0]
    assert said.startswith("These data cannot tell azimuth and turn: 0.")
    assert said.endswith(f"to {mend.sigma_deg:.2g} deg.") and "clear day" in said
    # Done as it says, it is as it says.
    log = logged(truth_of(dial, 2), sky, (when, mend.first), 2)
    after = solve(log, dial, sky)
    assert not any("turn" in one.names for one in after.pose.untold)
    parts = np.array(widest.parts)
    covariance = np.degrees(np.degrees(after.fit.common_covariance[POSE, POSE]))
    if mend.days == 1:
        assert np.sqrt(parts @ covariance @ parts) < 1.25 * mend.sigma_deg


def test_a_combination_names_what_is_uncertain_because_of_it():
    lean = np.array([0.988, 0.0, -0.155])
    shape = np.diag([0.001, 0.0001, 0.0001]) ** 2 + (0.4 * lean)[:, None] * (0.4 * lean)
    (only,) = observe.Pose.of(np.zeros(3), np.radians(np.radians(shape))).untold
    assert only.names == ("azimuth", "turn")
    shape[2, 2] += 0.09**2  # now something else makes the turn uncertain
    (only,) = observe.Pose.of(np.zeros(3), np.radians(np.radians(shape))).untold
    assert only.names == ("azimuth",)


@pytest.fixture
def dial_path(tmp_path, dial):
    path = tmp_path / "dial.toml"
    path.write_text(dialfile.dump(dial))
    return path


def test_the_command_lists_days(capsys, dial_path, tmp_path):
    asked = ("campaign", dial_path, "--from", "2027-01-10", "--until", "2027-02-10")
    shown = typed(capsys, *asked, "--pose-goal", "0.05", "--json")
    assert shown.returncode == 0, shown.stderr
    told = json.loads(shown.stdout)
    assert told["schema"] == "dialbench.campaign/1" and told["reached"]
    assert told["days"][0]["half_width_95_deg"]["turn"] is None
    assert max(told["days"][-1]["half_width_95_deg"].values()) < 0.05
    clear = tmp_path / "clear.txt"
    clear.write_text("\n".join(["1"] * 12))
    shown = typed(capsys, *asked, "--pose-goal", "0.05", "--clear", clear)
    assert told["days"][0]["date"] in shown.stdout and "not told" in shown.stdout
    assert told["sentences"][0] in shown.stdout
    shown = typed(capsys, *asked, "--pose-goal", "0.02")
    assert shown.returncode == 1 and "turn" in shown.stdout


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--from", "soon"), "--from soon: is no day"),
        (("--from", "2027-01-10", "--until", "2027-01-09"), "--until 2027-01-09: must be"),
        (("--from", "2027-01-10", "--clear", "0.5,0.5"), "neither twelve numbers"),
        (("--from", "2027-01-10", "--clear", "2,0,0,0,0,0,0,0,0,0,0,0"), "twelve probabilities"),
        (("--from", "2027-01-10", "--clear", "0,0,0,0,0,0,0,0,0,0,0,0"), "no day is ever clear"),
        (("--from", "2027-01-10", "--after", "no.sqlite"), "there is no such store"),
        (("--from", "2099-01-10"), "the Sun's place is known"),
        (("--from", "2027-01-10", "--board", "1"), "name the store with --after"),
        (("--from", "9999-12-30"), "beyond every calendar"),
    ],
)
def test_mistakes_are_sentences(capsys, dial_path, words, said):
    failed = typed(capsys, "campaign", dial_path, "--pose-goal", "0.05", *words)
    assert failed.returncode == 2 and not failed.stdout
    assert said in failed.stderr and failed.stderr.count("\n") == 1


@pytest.mark.parametrize(
    "content",
    [b"", b"\xff\xfe", b"nan " * 12, b"0.5 " * 11, b"0.5 " * 13, b"1e999," * 12, b"-0.1\n" * 12]
    + [b"0.5;" * 12, b"0.5 \0" * 12, b"9" * 100_000],
)
def test_a_file_of_anything_but_twelve_probabilities_is_refused(tmp_path, content):
    path = tmp_path / "clear"
    path.write_bytes(content)
    with pytest.raises(WeatherError, match="--clear") as refused:
        Weather.read(str(path))
    assert "\n" not in str(refused.value) and str(refused.value).isprintable()
    with pytest.raises(WeatherError):
        Weather.read(str(tmp_path))


@pytest.mark.deep
@pytest.mark.timeout(1800)
def test_a_plan_carried_out_reaches_its_goal(dial, sky, year):
    goal = Goal(0.05)
    planned = campaign.plan(year, goal)
    chosen = [date.fromordinal(one) for one in sorted(planned.chosen)]
    near, told = 0, 0
    for seed in range(RUNS):
        pose_deg = tuple(np.random.default_rng((7, seed)).uniform(-1.0, 1.0, 3))
        found = solve(logged(truth_of(dial, seed, pose_deg), sky, chosen, seed), dial, sky)
        off = np.degrees(found.fit.values.common[POSE]) - pose_deg
        near += bool((np.abs(off) <= goal.within_deg).all())
        widths = [one.half_width_deg for one in found.pose.angles]
        told += all(wide is not None and wide <= goal.within_deg for wide in widths)
    print(f"{len(chosen)} days, {RUNS} runs: {near} within the goal, {told} told so well")
    assert near >= 0.95 * RUNS
    assert told >= 0.95 * RUNS
