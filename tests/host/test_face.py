"""Digits told apart, channels where a viewer looks for them, steps that spell their start."""

from itertools import combinations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dialbench import face
from dialbench.dial import DialError

CHANNELS = face.hours_and_quarters(20.0, 31.0)
DAY = face.hour_steps("00:00", 15, 96)


def picture(step, cells=CHANNELS):
    """The face as a viewer sees it, one line a row."""
    lit = {(cells[number].row, cells[number].column) for number in step.channels}
    wide, high = (max(of) + 1 for of in zip(*((c.column, c.row) for c in cells), strict=True))
    return [
        "".join("#" if (row, column) in lit else "." for column in range(wide))
        for row in range(high)
    ]


def test_least_distance_of_digits_is_as_stated():
    flat = ["".join(glyph) for glyph in face.GLYPHS]
    assert [len(glyph) for glyph in flat] == [15] * 10
    assert set("".join(flat)) == {"#", "."}
    distances = [sum(a != b for a, b in zip(x, y, strict=True)) for x, y in combinations(flat, 2)]
    assert min(distances) == face.LEAST_DISTANCE == 5


def test_channels_fill_their_cells_once():
    cells = [(channel.column, channel.row) for channel in CHANNELS]
    assert len(CHANNELS) == face.CHANNELS == 33
    assert len(set(cells)) == 33
    digits = {(column, row) for column in (0, 1, 2, 4, 5, 6) for row in range(5)}
    assert set(cells) - digits == {(3, 1), (3, 2), (3, 3)}


def test_columns_go_towards_minus_y_and_rows_towards_minus_z():
    for channel in CHANNELS:
        assert channel.y_mm == (3 - channel.column) * 20
        assert channel.z_mm == (2 - channel.row) * 31


@pytest.mark.parametrize(
    ("at", "seen"),
    [
        ("08:00", [".##..#.", "#.#.#.#", "#.#..#.", "#.#.#.#", "##...#."]),
        ("12:30", ["##..###", ".#....#", ".#.####", ".#.##..", "###.###"]),
        ("15:45", ["##..###", ".#.##..", ".#.###.", ".#.#..#", "###.##."]),
        ("23:15", ["###.##.", "..#...#", "###..##", "#..#..#", "###.##."]),
    ],
)
def test_steps_as_a_viewer_sees_them(at, seen):
    assert picture(face.hour_steps(at, 15, 1)[0]) == seen


def test_every_quarter_of_a_day_spells_its_start_in_a_pattern_of_its_own():
    for k, step in enumerate(DAY):
        assert (step.index, step.start_min) == (k, 15.0 * k)
        assert step.spells == f"{k // 4:02}:{15 * (k % 4):02}"
        assert sum(number in step.channels for number in (15, 16, 17)) == k % 4
    assert len({step.channels for step in DAY}) == 96


@pytest.mark.parametrize("step_min", [30, 60])
def test_longer_steps_are_quarters_left_out(step_min):
    every = step_min // 15
    longer = face.hour_steps("08:30", step_min, 10)
    assert [s.spells for s in longer] == [s.spells for s in DAY[34::every]][:10]
    assert [s.channels for s in longer] == [s.channels for s in DAY[34::every]][:10]


@pytest.mark.parametrize(
    ("start", "step_min", "steps", "fields"),
    [
        ("08:30", 20, 3, ["plan.step_min"]),
        ("08:30", 0, 3, ["plan.step_min"]),
        ("08:40", 15, 3, ["plan.start"]),
        ("08:30:30", 15, 3, ["plan.start"]),
        ("20:00", 15, 17, ["plan.steps"]),
        ("23:40", 20, 17, ["plan.steps", "plan.step_min", "plan.start"]),
    ],
)
def test_plans_that_quarters_cannot_show_are_refused_with_every_fault(
    start, step_min, steps, fields
):
    with pytest.raises(DialError) as caught:
        face.hour_steps(start, step_min, steps)
    assert [problem.split(":")[0] for problem in caught.value.problems] == fields


def test_a_plan_may_end_at_midnight():
    assert face.hour_steps("20:00", 15, 16)[-1].spells == "23:45"


@given(st.integers(0, 86399))
def test_times_of_day_are_read_as_written(second):
    text = face.time_of(second / 60)
    assert round(face.minutes_of(text) * 60) == second
    assert len(text) == (8 if second % 60 else 5)


@pytest.mark.parametrize(
    "text", ["", "8:30", "24:00", "08:60", "08:30:60", "08:30 ", "٠٨:٣٠", "08:30\n"]
)
def test_what_is_no_time_of_day_is_refused(text):
    with pytest.raises(ValueError, match="no time of day"):
        face.minutes_of(text)


def test_the_cells_of_hours_and_quarters_are_those_of_its_channels():
    places = [(channel.column, channel.row) for channel in CHANNELS]
    assert [(cell.column, cell.row) for cell in face.hour_cells()] == places


MINUTES = [step for hour in range(24) for step in face.minute_steps(f"{hour:02}:00", 1, 60)]


@pytest.mark.parametrize(
    ("at", "gaps", "seen"),
    [
        (
            "08:20",
            (1, 2),
            [
                ".##..#...###..##",
                "#.#.#.#....#.#.#",
                "#.#..#...###.#.#",
                "#.#.#.#..#...#.#",
                "##...#...###.##.",
            ],
        ),
        (
            "23:45",
            (0, 1),
            [
                "#####..#..###",
                "..#..#.#..#..",
                "###.##.#.###.",
                "#....#.###..#",
                "#####....###.",
            ],
        ),
    ],
)
def test_hours_and_minutes_as_a_viewer_sees_them(at, gaps, seen):
    cells = face.minute_cells(*gaps)
    assert len(set(cells)) == len(cells) == 60
    assert picture(face.minute_steps(at, 15, 1)[0], cells) == seen


def test_every_minute_of_a_day_spells_itself_in_a_pattern_of_its_own():
    assert [step.spells for step in MINUTES] == [
        f"{minute // 60:02}:{minute % 60:02}" for minute in range(1440)
    ]
    assert len({step.channels for step in MINUTES}) == 1440
    least = min(len(a.channels ^ b.channels) for a, b in combinations(MINUTES[::7], 2))
    assert least >= face.LEAST_DISTANCE


def test_steps_of_any_whole_number_of_minutes():
    steps = face.minute_steps("09:05", 7, 3)
    assert [(s.index, s.start_min, s.spells) for s in steps] == [
        (0, 545.0, "09:05"),
        (1, 552.0, "09:12"),
        (2, 559.0, "09:19"),
    ]


@pytest.mark.parametrize(
    ("start", "step_min", "steps", "fields"),
    [
        ("08:30", 7.5, 3, ["plan.step_min"]),
        ("08:30", 0.5, 3, ["plan.step_min"]),
        ("08:30:30", 20, 3, ["plan.start"]),
        ("20:00", 20, 13, ["plan.steps"]),
        ("23:40:10", 0.7, 700, ["plan.steps", "plan.step_min", "plan.start"]),
    ],
)
def test_plans_that_minutes_cannot_show_are_refused_with_every_fault(
    start, step_min, steps, fields
):
    with pytest.raises(DialError) as caught:
        face.minute_steps(start, step_min, steps)
    assert [problem.split(":")[0] for problem in caught.value.problems] == fields


@pytest.mark.parametrize("steps_of", [face.hour_steps, face.minute_steps])
def test_a_clock_ahead_of_the_plan_changes_what_is_shown_and_not_when(steps_of):
    plain, ahead = steps_of("21:45", 15, 9), steps_of("21:45", 15, 9, 60)
    assert [step.start_min for step in ahead] == [step.start_min for step in plain]
    for shown, later in zip(ahead, plain[4:], strict=False):
        assert (shown.spells, shown.channels) == (later.spells, later.channels)
    first = steps_of("00:00", 15, 1)[0]
    assert [s.spells for s in ahead[-4:]] == ["00:00", "00:15", "00:30", "00:45"]
    assert ahead[-4].channels == first.channels


DRAWN = ["#.##", ".##."]


def test_channels_of_a_picture_are_numbered_row_by_row():
    cells = face.picture_cells(DRAWN)
    assert [(cell.column, cell.row) for cell in cells] == [(0, 0), (2, 0), (3, 0), (1, 1), (2, 1)]
    assert face.picture_channels(DRAWN, DRAWN) == frozenset(range(5))
    assert face.picture_channels(DRAWN, ["..#.", ".#.."]) == frozenset({1, 3})
    assert face.picture_channels(DRAWN, ["....", "...."]) == frozenset()


def test_a_step_picture_draws_back_what_it_lights():
    pixels = ["#..#", "..#."]
    step = face.Step(0, 0.0, "00:00", face.picture_channels(DRAWN, pixels))
    assert picture(step, face.picture_cells(DRAWN)) == pixels


@pytest.mark.parametrize(
    ("pixels", "rows", "words"),
    [
        (["#..."], [None], "has 1 rows, but face.cells has 2; draw as many"),
        (["#...", "...", "...."], [None], "has 3 rows"),
        (["#..", "....."], [0, 1], "is 3 cells wide, but face.cells is 4 there"),
        ([".#..", "...#"], [0, 1], "lights column 1 (from 0), where face.cells has no channel"),
    ],
)
def test_pictures_that_do_not_fit_their_cells(pixels, rows, words):
    faults = face.picture_faults(DRAWN, pixels)
    assert [row for row, _ in faults] == rows
    assert words in faults[0][1]


def test_pictures_that_fit_have_no_faults():
    assert face.picture_faults(DRAWN, DRAWN) == []
    assert face.picture_faults(["#", "##"], [".", "#."]) == []
