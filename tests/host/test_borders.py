"""Borders: marks on rows, followed from row to row, and windows where they may begin or end."""

import math
from functools import partial

import numpy as np
import pytest
from tests.host.dials import bore, dial, hole

from dialbench import borders, chains
from dialbench.borders import FALL, NEAR, RISE, Marks, marks
from dialbench.lit import light_of
from dialbench.path import Place, cubic
from dialbench.sky import mean_semidiameter_deg

LEVELS = (0.25, 0.5, 0.75)
ROW_DEG = 0.2
EXACT = 3e-8

alone = partial(light_of, ghosts=False)


def lit(light, hour_angle, declination_deg, channel=0, larger=1.0):
    hour_angle = np.atleast_1d(np.asarray(hour_angle, float))
    declination_deg = np.broadcast_to(declination_deg, hour_angle.shape)
    size = np.radians(mean_semidiameter_deg(declination_deg)) * larger
    place = Place(hour_angle, np.radians(declination_deg), size)
    return light.at(place, np.broadcast_to(channel, hour_angle.shape).astype(np.int64))


def marked(light, first=-20, count=41, near=0.1):
    return marks(light, LEVELS, ROW_DEG, first, count, near)


def windows_at(found, row, hour_angle, threshold):
    """Windows that hold a place of a row, counted from the declination 0."""
    w = found.windows
    return (
        (w.threshold == threshold)
        & (w.row == row - found.first)
        & (w.low <= hour_angle)
        & (w.high >= hour_angle)
    )


# --- marks


@pytest.mark.parametrize(
    "listed",
    [[bore(10.0)], [bore(10.0, exit_mm=0.35)], [hole(10.0, declination_deg=0.5)]],
    ids=["slot", "tapered slot", "round"],
)
def test_marks_lie_on_the_thresholds(listed):
    light = alone(dial(*listed))
    found = marked(light, -5, 11)
    edge = found.kind != NEAR
    assert edge.sum() >= 6 * 8
    for k in np.flatnonzero(edge):
        here = found.hour_angle[k] + np.array([-1e-6, 0.0, 1e-6])
        values = lit(light, here, found.row[k] * ROW_DEG)
        assert values[1] == pytest.approx(LEVELS[found.threshold[k]], abs=1e-6)
        assert (values[2] > values[0]) == (found.kind[k] == RISE)
    order = np.lexsort((found.hour_angle, found.kind, found.threshold, found.channel, found.row))
    assert (order == np.arange(len(order))).all()


def test_marks_say_what_a_larger_sun_does():
    narrow = bore(50.0, 2, exit_mm=0.5, entry_mm=0.5)
    light = alone(dial(bore(10.0), hole(30.0, 1, declination_deg=0.5), narrow))
    found = marked(light, 0, 4)
    edge = np.flatnonzero(found.kind != NEAR)
    size = np.radians(mean_semidiameter_deg(found.row[edge] * ROW_DEG))
    moved = found.hour_angle[edge] + found.by_size[edge] * 0.004 * size
    for k, at in zip(edge, moved, strict=True):
        value = lit(light, at, found.row[k] * ROW_DEG, found.channel[k], 1.004)
        assert value[0] == pytest.approx(LEVELS[found.threshold[k]], abs=2e-5)
    # A slot much wider than the Sun does not feel its size; a narrow one begins to be lit
    # sooner, and is never lit as much.
    channel, threshold, rise = (
        of[edge] for of in (found.channel, found.threshold, found.kind == RISE)
    )
    assert np.abs(found.by_size[edge][channel == 0]).max() < 0.001
    narrow = found.by_size[edge][(channel == 2) & rise]

    assert (np.sign(narrow) == np.sign(threshold[(channel == 2) & rise] - 0.5)).all()


def test_rows_are_the_same_in_any_company():
    light = alone(dial(*(bore(3.0 * k, k % 4, opening_deg=10.0) for k in range(-8, 9))))
    whole = marked(light, -12, 25)
    parts = [marked(light, first, 1) for first in range(-12, 13)]
    for name in borders.MARK_KINDS:
        joined = np.concatenate([getattr(part, name) for part in parts])
        assert joined == pytest.approx(getattr(whole, name), abs=1e-9)


def test_a_peak_that_just_misses_is_a_near_miss():
    """0.7 mm at 60 mm: hardly wider than the Sun."""
    found = {}
    for exit_mm in np.linspace(0.3, 0.7, 9):
        light = alone(dial(bore(exit_mm=float(exit_mm), entry_mm=float(exit_mm))))
        top = lit(light, 0.0, 0.0)[0]
        row = marked(light, 0, 1, near=0.05)
        near = row.threshold[row.kind == NEAR].tolist()
        assert near == [k for k, level in enumerate(LEVELS) if -1e-9 < level - top < 0.05]
        found[top] = near
    assert [] in found.values() and [2] in found.values()


def test_a_dip_that_just_misses_is_a_near_miss():
    light = alone(dial(bore(-0.7), bore(1.4, length_mm=120.0)))
    hour_angle = np.radians(np.linspace(-1, 2, 3001))
    dip = lit(light, hour_angle, 0.0)[600:2400]
    assert 0.75 < dip.min() < 0.85
    row = marked(light, 0, 1)
    near = row.kind == NEAR
    assert row.threshold[near].tolist() == [2]
    assert abs(row.hour_angle[near][0] - hour_angle[600 + dip.argmin()]) < math.radians(0.2)


# --- followed from row to row


def followed(light, first=-20, count=41, tolerance=EXACT):
    return chains.follow(marked(light, first, count), ROW_DEG, first, count, tolerance)


def test_a_slot_has_six_borders_from_the_first_row_to_the_last():
    found = followed(alone(dial(bore(10.0))))
    assert len(found.channel) == 6
    assert (found.begin == 0).all() and (found.end == 40).all()
    assert sorted(zip(found.threshold, found.rise, strict=True)) == [
        (k, rise) for k in range(3) for rise in (False, True)
    ]
    assert not found.rough.reshape(6, 41)[:, :40].any()
    assert len(found.windows.row) == 0


def smooth_off(light, found):
    """How far lit fractions are from the threshold half-way between rows, rough places aside."""
    off = []
    for border in range(len(found.channel)):
        for row in range(found.begin[border], found.end[border]):
            flat = border * found.rows + row
            if found.rough[flat]:
                continue
            at = cubic(found.curve[flat : flat + 1], np.array([0.5]))[0]
            declination_deg = (found.first + row + 0.5) * ROW_DEG
            value = lit(light, at, declination_deg, found.channel[border])[0]
            aside = lit(light, at + 1e-6, declination_deg, found.channel[border])[0]
            off.append((value - LEVELS[found.threshold[border]]) / abs(aside - value) * 1e-6)
    return np.abs(off)


@pytest.mark.parametrize(
    ("listed", "tolerance", "smooth"),
    [
        ([bore(10.0)], EXACT, 240),
        ([bore(10.0, opening_deg=4.0)], EXACT, 60),
        ([hole(10.0, declination_deg=1.0)], 2e-5, 15),
        (
            [bore(10.0, opening_deg=4.0), bore(11.5, declination_deg=1.3, opening_deg=5.0)],
            EXACT,
            60,
        ),
    ],
    ids=["slot", "low slot", "round", "two low slots"],
)
def test_between_rows_borders_are_where_the_light_says_or_rough(listed, tolerance, smooth):
    light = alone(dial(*listed))
    off = smooth_off(light, followed(light, tolerance=tolerance))
    assert len(off) >= smooth
    assert off.max() < tolerance


def test_a_border_that_begins_between_rows_has_a_window_there():
    """A round bore's borders close where it is lit to just a threshold on its axis' meridian."""
    light = alone(dial(hole(10.0, declination_deg=0.0)))
    found = followed(light)
    assert len(found.channel) == 6
    for border in range(6):
        threshold, first, last = (of[border] for of in (found.threshold, found.begin, found.end))
        assert 0 < first < last < 40
        for row, flat, u in (
            (found.first + first - 1, border * 41 + first, 0.0),
            (found.first + last, border * 41 + last - 1, 1.0),
        ):
            at = math.radians(10.0)
            # On one of the two rows the channel is lit to the threshold, on the other not.
            ends = [lit(light, at, r * ROW_DEG)[0] >= LEVELS[threshold] for r in (row, row + 1)]
            assert ends[0] != ends[1]
            assert windows_at(found, row, at, threshold).sum() == 1
            # And the window is wide enough for both, wherever they meet.
            loose = cubic(found.curve[flat : flat + 1], np.array([u]))[0]
            assert windows_at(found, row, loose, threshold).sum() == 1


def test_two_borders_that_part_between_rows_have_one_window():
    """Two slots that open at different declinations: their spans join on the way."""
    light = alone(dial(bore(9.0, opening_deg=4.0), bore(13.5, opening_deg=4.0, length_mm=30.0)))
    found = followed(light, -20, 41)
    w = found.windows
    for k in range(1, len(w.row)):
        same = all(of[k] == of[k - 1] for of in (w.channel, w.threshold, w.row))
        assert not same or w.low[k] > w.high[k - 1]
    order = np.lexsort((w.low, w.row, w.threshold, w.channel))
    assert (order == np.arange(len(w.row))).all()
    assert len(w.row) > 0


def hand_made(*listed):
    """Marks (row, threshold, kind, hour angle in degrees) of channel 0."""
    row, threshold, kind, hour_deg = np.array(sorted(listed), float).T
    whole = (of.astype(np.int64) for of in (row, np.zeros(len(row)), threshold, kind))
    return Marks(*whole, np.radians(hour_deg), np.zeros(len(row)))


def test_links_go_to_the_nearest_of_the_same_kind():
    rows = [(r, 0, FALL, 3.0 + 0.1 * r) for r in range(4)]
    rows += [(r, 0, RISE, 1.0 - 0.1 * r) for r in range(4)]
    rows += [(r, 1, RISE, 1.0 - 0.1 * r) for r in range(2)]
    found = chains.follow(hand_made(*rows), ROW_DEG, 0, 4, EXACT)
    ends = sorted(zip(found.threshold, found.rise, found.begin, found.end, strict=True))
    assert ends == [(0, False, 0, 3), (0, True, 0, 3), (1, True, 0, 1)]
    # The one that ends has a window between its last row and the next.
    assert (found.windows.row.tolist(), found.windows.threshold.tolist()) == ([1], [1])
    assert found.windows.low[0] < math.radians(0.9) < found.windows.high[0]


def test_a_mark_too_far_away_is_another_border():
    rows = [(0, 0, RISE, 0.0), (1, 0, RISE, 0.9), (2, 0, RISE, 2.0)]
    found = chains.follow(hand_made(*rows), ROW_DEG, 0, 3, EXACT)
    assert sorted(zip(found.begin, found.end, strict=True)) == [(0, 1), (2, 2)]
    assert sorted(found.windows.row.tolist()) == [1, 1]


def test_two_loose_ends_side_by_side_share_a_window():
    """Where a rise and a fall end they may have met anywhere between them."""
    rows = [(r, 0, kind, place) for r in range(2) for kind, place in ((RISE, 1.0), (FALL, 5.0))]
    found = chains.follow(hand_made(*rows), ROW_DEG, 0, 4, EXACT)
    [row], [low], [high] = found.windows.row, found.windows.low, found.windows.high
    assert row == 1
    assert low < math.radians(1.0) and math.radians(5.0) < high


def test_a_near_miss_has_a_window_on_either_side():
    found = chains.follow(hand_made((2, 0, NEAR, 1.0)), ROW_DEG, 0, 5, EXACT)
    assert len(found.channel) == 0
    assert found.windows.row.tolist() == [1, 2]


def test_no_marks_no_borders():
    nothing = marked(alone(dial(bore(0.0, opening_deg=1.0))), 100, 3)
    found = chains.follow(nothing, ROW_DEG, 100, 3, EXACT)
    assert len(found.channel) == len(found.windows.row) == 0
