"""Time carried from boot to boot by a clock chip: drift, jumps, bad marks, honest widths."""

import os
import random
import re

import numpy as np
import pytest
from tests.clockworld import Plan, World

from dialbench.clock import ClockError, ClockModel, Mark, Reading
from dialbench.clock.chip import BAD, CHIP, GOOD, LEAP, LINE, carry
from dialbench.clock.events import references, row, sparse, tied
from dialbench.clock.mixture import middle_and_sigma

START_US = 1_804_032_000_000_000
DAY_MS = 86_400_000
HOUR_MS = 3_600_000
CRYSTAL_PPM = 15.0
CHIP_PPM = 20.0
BOOTS_MS = [(0, 40 * HOUR_MS), (44 * HOUR_MS, 90 * HOUR_MS), (93 * HOUR_MS, 130 * HOUR_MS)]


def device_ms(boot, true_ms):
    """What the board counts true_ms after the beginning of all, in a boot numbered from 1."""
    return round((true_ms - BOOTS_MS[boot - 1][0]) * (1 + CRYSTAL_PPM * 1e-6))


def mark(boot, true_ms, wrong_us=0, sigma_us=1000):
    utc_us = START_US + 1000 * true_ms + wrong_us
    return Mark(boot, device_ms(boot, true_ms), utc_us, sigma_us, "link")


def readings(jump_ms=None, jump_us=0, boots=(1, 2, 3), offset_us=-3_000_000, stopped=False):
    """Hourly readings of a chip that steps by jump_us at jump_ms; stopped: and says so."""
    found = []
    said = not stopped
    for boot in boots:
        begin, end = BOOTS_MS[boot - 1]
        for true_ms in range(begin + 1000, end, HOUR_MS):
            shown = START_US + round(1000 * true_ms * (1 + CHIP_PPM * 1e-6)) + offset_us
            after = jump_ms is not None and true_ms >= jump_ms
            at = device_ms(boot, true_ms)
            found.append(Reading(boot, at, shown + jump_us * after, 1000, after and not said))
            said = said or after
    return found


ENDS = [mark(1, 60_000), mark(3, 129 * HOUR_MS)]
# With these the rates of chip and crystal are known before and after the middle boot.
PAIRS = [*ENDS, mark(1, 39 * HOUR_MS), mark(3, 94 * HOUR_MS)]


def events_of(marks, read):
    usable = tied(marks, read)
    return row(marks, usable, references(marks, usable))


def errors(model, boot):
    """(largest error, largest half-width) over a boot, in seconds."""
    begin, end = BOOTS_MS[boot - 1]
    true_ms = np.arange(begin, end, 600_000)
    device = np.array([device_ms(boot, at) for at in true_ms])
    off_us = model.utc_us(boot, device) - (START_US + 1000 * true_ms)
    return np.abs(off_us).max() * 1e-6, 1.96 * model.sigma_s(boot, device).max()


def test_a_boot_without_a_mark_is_told_by_its_chip():
    model = ClockModel(ENDS, readings())
    assert [model.covers(boot) for boot in (1, 2, 3, 4)] == [True, True, True, False]
    error_s, half_s = errors(model, 2)
    assert error_s < 0.02 and error_s <= half_s < 0.2
    assert model.chip_drift_ppm[0] == pytest.approx(CHIP_PPM, abs=0.3)
    assert model.boots[2].drift_ppm()[0] == pytest.approx(CRYSTAL_PPM, abs=0.5)
    assert not model.rejected and not model.jumps


def test_a_boot_with_a_mark_is_tightened():
    alone = ClockModel(ENDS)
    model = ClockModel(ENDS, readings())
    assert errors(model, 1)[1] < 0.1
    assert errors(alone, 1)[1] > 5


def test_a_boot_with_neither_is_not_covered_and_says_why():
    model = ClockModel(ENDS, readings(boots=(1, 3)))
    assert not model.covers(2)
    assert model.why_not(2) == "it has no clock mark and no reading of a clock chip"
    assert model.why_not(1) == ""
    with pytest.raises(ClockError, match="boot 2 .* no clock mark and no reading"):
        model.utc_us(2, 0)


def test_readings_that_no_mark_ties_say_nothing():
    model = ClockModel([mark(1, 60_000)], readings(boots=(2, 3)))
    assert model.covers(1) and not model.covers(2)
    assert "not read in any boot that has a clock mark" in model.why_not(2)
    assert model.chip_drift_ppm is None
    same = ClockModel([mark(1, 60_000)])
    assert model.sigma_s(1, HOUR_MS) == same.sigma_s(1, HOUR_MS)


def test_a_chip_far_from_utc_serves_as_well():
    # Never set: it began with the year 2000.
    model = ClockModel(ENDS, readings(offset_us=-860_000_000_000_000))
    error_s, half_s = errors(model, 2)
    assert error_s < 0.02 and half_s < 0.2


@pytest.mark.parametrize("size_us", [300_000, -2_000_000, 3_600_000_000, -700_000_000_000])
def test_a_jump_within_a_boot_is_found_where_it_was(size_us):
    jump_ms = 60 * HOUR_MS + 7_000_000
    model = ClockModel(ENDS, readings(jump_ms, size_us))
    [jump] = model.jumps
    assert jump.probability > 0.99
    assert jump.size_s == pytest.approx(size_us * 1e-6, abs=0.05)
    assert 0 <= jump.reading.device_ms - device_ms(2, jump_ms) < HOUR_MS
    for boot in (1, 2, 3):
        error_s, half_s = errors(model, boot)
        assert error_s < 0.05 and error_s <= half_s < 0.3


def test_where_a_jump_cannot_be_placed_the_time_is_not_claimed():
    # It jumped while the power was off, before or after the boot that nobody came to.
    model = ClockModel(PAIRS, readings(42 * HOUR_MS, 8_000_000))
    assert 0.9 < sum(jump.probability for jump in model.jumps) < 1.1
    assert {jump.reading.boot for jump in model.jumps} == {2, 3}
    error_s, half_s = errors(model, 2)
    assert error_s <= half_s and half_s > 3.5
    assert errors(model, 1)[1] < 0.2


def test_a_jump_that_cannot_be_placed_and_is_great_leaves_the_boot_untold():
    model = ClockModel(PAIRS, readings(42 * HOUR_MS, 600_000_000))
    assert model.covers(1) and model.covers(3) and not model.covers(2)
    assert "leaves it uncertain by" in model.why_not(2)


@pytest.mark.parametrize("size_us", [8_000_000, -860_000_000_000_000])
def test_a_chip_that_says_it_stood_still_need_not_be_guessed(size_us):
    model = ClockModel(PAIRS, readings(42 * HOUR_MS, size_us, stopped=True))
    assert [jump.reading.boot for jump in model.jumps] == [2]
    error_s, half_s = errors(model, 2)
    assert error_s <= half_s and error_s < 0.1


def test_a_chip_set_back_has_jumped_wherever_that_is_seen():
    model = ClockModel(PAIRS, readings(42 * HOUR_MS, -6 * HOUR_MS * 1000))
    assert [jump.reading.boot for jump in model.jumps] == [2]
    assert errors(model, 2)[0] < 0.1


def test_a_bad_reading_is_rejected_and_harms_nothing():
    read = readings()
    at = len(read) // 2
    bad = Reading(read[at].boot, read[at].device_ms, read[at].utc_us + 512_000_000, 1000)
    model = ClockModel(ENDS, [*read[:at], bad, *read[at + 1 :]])
    assert [one.mark for one in model.rejected] == [bad]
    assert "512.000 s off what all others say" in model.rejected[0].reason
    assert not model.jumps and errors(model, 2)[0] < 0.05


def test_a_host_with_a_wrong_clock_is_rejected_with_its_reason():
    wrong = mark(2, 60 * HOUR_MS, wrong_us=3_600_000_000)
    model = ClockModel([*PAIRS, wrong], readings())
    assert [one.mark for one in model.rejected] == [wrong]
    assert re.search(r"is 3[56]\d\d\.\d{3} s off what all others say", model.rejected[0].reason)
    error_s, half_s = errors(model, 2)
    assert error_s < 0.1 and error_s <= half_s


def test_the_order_of_what_is_given_does_not_matter():
    read = readings()
    one, other = ClockModel(ENDS, read), ClockModel(ENDS[::-1], read[::-1])
    asked = np.arange(0, 40 * HOUR_MS, HOUR_MS // 3)
    assert np.array_equal(one.utc_us(2, asked), other.utc_us(2, asked))


def test_the_smoothed_state_is_that_of_all_equations_at_once():
    """Against generalised least squares over the whole row, with no filter in it."""
    read = readings()[::4]
    events = events_of(ENDS, read)
    found = carry(events)
    best = int(np.argmax(found.weight))
    assert (found.choice[best] == GOOD).all()
    from dialbench.clock import chip

    grid = [
        np.array([[crystal, stray]]) for crystal in chip._CRYSTAL_PPM for stray in chip._CHIP_PPM
    ]
    expected = [_all_at_once(events, cell) for cell in grid]
    at = [i for i, event in enumerate(events) if event.is_reading]  # marks are sharpened
    off = [
        np.abs(mean[at, LINE] - found.mean[best, at, LINE]).max()
        + np.abs(mean[at, CHIP] - found.mean[best, at, CHIP]).max()
        + np.abs(np.sqrt(variance[at, LINE]) - np.sqrt(found.variance[best, at, LINE])).max()
        for mean, variance in expected
    ]
    assert min(off) < 2e-5
    assert sorted(off)[1] > 1e-4  # and of one cell of the grid only


def _all_at_once(events, cell):
    """Posterior mean (e, 5) and variance (e, 5) from the joint covariance of all states."""
    from dialbench.clock import chip

    size = 5 * len(events)
    _, first = chip._begin(cell)
    joint = np.zeros((size, size))
    before = first[0]
    step_of = []
    for number, event in enumerate(events):
        step, _, noise = chip._moved(event, cell, np.zeros((1, 5)), np.zeros((1, 5, 5)))
        noise = chip._opened(event, noise)
        here = slice(5 * number, 5 * number + 5)
        before = step @ before @ step.T + noise[0]
        joint[here, here] = before
        step_of.append(step)
        for earlier in range(number):
            there = slice(5 * earlier, 5 * earlier + 5)
            last = slice(5 * number - 5, 5 * number)
            joint[here, there] = step @ joint[last, there]
            joint[there, here] = joint[here, there].T
    seen = np.zeros((len(events), size))
    for number, event in enumerate(events):
        seen[number, 5 * number + (CHIP if event.is_reading else LINE)] = 1.0
    value = np.array([event.value_s for event in events])
    noise = np.diag([event.sigma_s**2 + event.swing_s**2 for event in events])
    leaning = joint @ seen.T
    gain = np.linalg.solve(seen @ leaning + noise, leaning.T).T
    mean = gain @ value
    variance = np.diag(joint - gain @ leaning.T)
    return mean.reshape(-1, 5), variance.reshape(-1, 5)


def test_of_one_gaussian_the_interval_is_its_own():
    middle, sigma = middle_and_sigma(np.ones(1), np.array([[3.0, -1.0]]), np.array([[4.0, 0.25]]))
    assert middle == pytest.approx([3.0, -1.0], abs=1e-4)
    assert sigma == pytest.approx([2.0, 0.5], rel=1e-4)


def test_of_two_the_interval_leaves_the_same_out_at_both_ends():
    weight = np.array([0.9, 0.1])
    mean, variance = np.array([[0.0], [100.0]]), np.array([[1.0], [1.0]])
    middle, sigma = middle_and_sigma(weight, mean, variance)
    low, high = middle - 1.96 * sigma, middle + 1.96 * sigma
    rng = np.random.default_rng(1)
    drawn = rng.normal(mean[rng.choice(2, 200_000, p=weight), 0], 1.0)
    assert (drawn < low).mean() == pytest.approx(0.025, abs=0.002)
    assert (drawn > high).mean() == pytest.approx(0.025, abs=0.002)


def test_choices_are_told_by_their_share():
    found = carry(events_of(ENDS, readings()))
    assert found.weight.sum() == pytest.approx(1.0)
    assert (found.share((GOOD,)) > 0.9).all() and (found.share((LEAP, BAD)) < 0.1).all()


def test_a_mark_far_from_any_reading_ties_the_chip_less_and_itself_not():
    # Daily readings, the mark half-way: by the crystal's swing the chip may be 0.1 s off.
    read = [one for one in readings() if one.device_ms % (24 * HOUR_MS) < HOUR_MS]
    model = ClockModel([mark(2, (44 + 12) * HOUR_MS)], read)
    at_mark, at_reading = 1.96 * model.sigma_s(2, [12 * HOUR_MS, 24 * HOUR_MS])
    assert at_mark < 0.005
    assert at_reading > 0.15
    hourly = ClockModel([mark(2, (44 + 12) * HOUR_MS)], readings())
    assert 1.96 * hourly.sigma_s(2, 12 * HOUR_MS + 1000) < 0.02


def test_many_sentences_of_a_receiver_are_no_surer_than_one():
    # All of them 90 ms late, as a slow receiver is; it was said to be good to 100 ms.
    told = [
        Mark(boot, one.device_ms, utc_us, 100_000, "satellites")
        for boot in (1, 2, 3)
        for one in readings(boots=(boot,))
        for utc_us in [mark(boot, 0, 90_000).utc_us + _true_us(one)]
    ]
    model = ClockModel(told, readings())
    assert not model.rejected
    for boot in (1, 2, 3):
        error_s, half_s = errors(model, boot)
        assert 0.05 < error_s <= half_s < 0.5
    surer = ClockModel([*told, *PAIRS], readings())
    error_s, half_s = errors(surer, 2)
    assert error_s <= half_s < 0.1


def _true_us(reading):
    """Microseconds from the beginning of all to a reading."""
    since_ms = reading.device_ms / (1 + CRYSTAL_PPM * 1e-6)
    return round(1000 * (BOOTS_MS[reading.boot - 1][0] + since_ms))


def test_years_of_readings_are_looked_at_sparsely():
    read = [
        Reading(boot, 60_000 * at, START_US + 60_000_000 * (at + 4500 * boot), 1000)
        for boot in range(4)
        for at in range(4000)
    ]
    marks = [
        Mark(0, 0, START_US, 1000, "link"),
        Mark(3, 0, START_US + 810_000_000_000, 1000, "link"),
    ]
    kept = sparse(tied(marks, read))
    assert len(kept) <= 4000 + 2 * 4
    for boot in range(4):
        times = [one.reading.device_ms for one in kept if one.reading.boot == boot]
        assert (times[0], times[-1]) == (0, 60_000 * 3999)
        assert max(np.diff(times)) <= 4 * 60_000


def test_whatever_marks_and_readings_say_the_answer_is_a_number():
    chance = random.Random(5)
    odd = (0, 1, -1, 1 << 30, -(1 << 30), START_US, -START_US, (1 << 53) - 1, -(1 << 53) + 1)
    for _ in range(60):
        marks = [
            Mark(
                chance.randrange(4),
                abs(chance.choice(odd)) >> chance.randrange(30),
                chance.choice(odd) + chance.randrange(1000),
                chance.choice((0, 1, 1000, 0xFFFFFFFF)),
                "log",
            )
            for _ in range(chance.randrange(5))
        ]
        read = [
            Reading(
                chance.randrange(4),
                abs(chance.choice(odd)) >> chance.randrange(30),
                chance.choice(odd) + chance.randrange(1000),
                chance.choice((0, 1, 1000, 0xFFFFFFFF)),
                chance.random() < 0.2,
            )
            for _ in range(chance.randrange(7))
        ]
        model = ClockModel(marks, read)
        for boot in model.boots:
            sigma_s = model.sigma_s(boot, [0, HOUR_MS, 1 << 40])
            assert (sigma_s >= 0).all()
            assert np.isfinite(sigma_s).all()
            model.utc_us(boot, [0, HOUR_MS, 1 << 40])


# -- a population of boards, sixty days each

POPULATION = int(os.environ.get("DIALBENCH_CLOCK_WORLDS", "8"))


def population(plan):
    """(told share, errors, half-widths) over all worlds, in seconds, and each world's coverage."""
    errors, halves, told, covers = [], [], [], []
    for seed in range(POPULATION):
        world = World(plan, 1000 + seed)
        model = ClockModel(world.marks, world.readings)
        boot, device, utc_us = world.truth(1_800_000_000)
        covered = np.isin(boot, list(model.boots))
        told.append(covered.mean())
        boot, device, utc_us = boot[covered], device[covered], utc_us[covered]
        errors.append(np.abs(model.utc_us(boot, device) - utc_us) * 1e-6)
        halves.append(1.96 * model.sigma_s(boot, device))
        covers.append((errors[-1] <= halves[-1]).mean())
    return (
        float(np.mean(told)),
        np.concatenate(errors),
        np.concatenate(halves),
        np.array(covers),
    )


@pytest.mark.deep
@pytest.mark.timeout(1800)
@pytest.mark.parametrize(
    "plan",
    [
        Plan(),
        Plan(read_sigma_us=7000),
        Plan(jumps=0),
        Plan(jump_s=(0.3, 2.0)),
        Plan(jumps=3),
        Plan(chip_wander_ppm=0.05),
        Plan(chip_wander_ppm=0.4, chip_wander_days=1.0),
        Plan(crystal_day_ppm=0.5, crystal_wander_ppm=0.5),
    ],
    ids=["usual", "by looks", "no jump", "small jump", "three jumps", "steady", "restless", "oven"],
)
def test_claims_of_a_population_hold(plan, capsys):
    told, error_s, half_s, covers = population(plan)
    claimed = half_s <= 0.2
    with capsys.disabled():
        print(
            f"\n{plan}: {POPULATION} worlds, told {told:.3f}, claimed {claimed.mean():.3f},"
            f" of them wrong {(error_s[claimed] > 0.2).mean():.5f}, coverage"
            f" {(error_s <= half_s).mean():.4f}, median half-width {np.median(half_s):.3f} s"
        )
    assert told > 0.95
    assert (error_s[claimed] > 0.2).mean() < 0.005
    # Errors within a world hang together: what is counted are worlds, by what they scatter.
    doubt = np.std(covers, ddof=1) / np.sqrt(len(covers))
    assert covers.mean() + 2 * doubt > 0.93
