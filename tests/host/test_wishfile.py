"""Layout specs: what loads, what is refused and in which words, and what cannot be at all."""

import copy
import json
import math
import re
import sys
import tomllib
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from dialbench import dialfile, ephemeris, layout, wishcheck, wishfile
from dialbench.commands import schema
from dialbench.dial import DialError, Limits, Site, Step, standard_air
from dialbench.sky import Sky, to_us
from dialbench.wish import ALL_YEAR_DEG, Cell, Envelope, Face, Process
from dialcore import bores, sun

QUARTERS = """\
format = 1
name = "Two digits"

[site]
name = "Gannet Holm"
latitude_deg = 41.2
longitude_deg = -16.4
elevation_m = 24
zone = "-01:00"

[face]
kind = "hours-and-quarters"

[plan]
time = "zone"
start = "08:30"
step_min = 15
steps = 28

[envelope]
width_mm = 230
length_mm = 220
height_mm = 120

[process]
kind = "print"
exit_mm = 0.5
wall_mm = 0.4

[wish]
duty = 0.95
sharp = 0.25
"""
MINUTES = QUARTERS.replace("hours-and-quarters", "hours-and-minutes")
PATTERNS = """\
format = 1
name = "Pictures"

[site]
name = "Gannet Holm"
latitude_deg = 41.2
longitude_deg = -16.4
elevation_m = 24
zone = "-01:00"

[face]
kind = "patterns"
cells = [
    "#.#",
    "##.",
]

[[face.step]]
spells = "11:00"
pixels = ["#..", "#.."]

[[face.step]]
pixels = ["..#", ".#."]

[[face.step]]
spells = "12:15"
pixels = ["...", "..."]

[plan]
time = "apparent"
start = "11:00"
step_min = 20
steps = 3

[envelope]
width_mm = 100
length_mm = 90
height_mm = 60

[process]
kind = "drill"
wall_mm = 2
drills_mm = [4, 2, 3, 2.0]
"""
EXAMPLES = ("demo", "small", "plate", "teaching", "south", "twenty-minutes")


def edited(text, *edits):
    for old, new in edits:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    return text


def wish(text, *edits):
    return wishfile.parse(edited(text, *edits), "my.toml")


def problems(text, *edits):
    """What is wrong with a spec after edits (old, new), without the file's name."""
    with pytest.raises(wishfile.WishFileError) as caught:
        wish(text, *edits)
    assert all(problem.startswith("my.toml: ") for problem in caught.value.problems)
    assert all(problem.isprintable() for problem in caught.value.problems)
    return [problem.removeprefix("my.toml: ") for problem in caught.value.problems]


def fields(found):
    return [problem.split(":")[0] for problem in found]


# What loads.


def test_a_wish_says_what_its_file_says():
    found = wish(QUARTERS)
    assert (found.name, found.site.name, found.site.zone) == ("Two digits", "Gannet Holm", "-01:00")
    assert found.envelope == Envelope(width_mm=230, length_mm=220, height_mm=120)
    assert found.process == Process(exit_mm=0.5, wall_mm=0.4, feature_mm=0.05, kind="print")
    assert found.limits == Limits(duty=0.95)
    assert (found.sharp, found.seed, found.minutes, found.shape) == (0.25, 1, 10.0, "free")
    assert found.season_deg == ALL_YEAR_DEG
    assert found.plan.steps == found.face.steps
    assert (found.plan.kind, found.plan.step_min, found.plan.design_date) == ("zone", 15, None)


def test_the_table_wish_may_be_left_out():
    found = wishfile.parse(QUARTERS[: QUARTERS.index("[wish]")], "my.toml")
    assert (found.limits, found.sharp) == (Limits(), 0.5)


def test_all_that_can_be_wished_for():
    lines = (
        'duty = 0.9\nwrong = 0.01\nghost = 0.1\ncontrast = 3\nhamming = 1\nshape = "plate"\n'
        "season_deg = [-10, 5.5]\nseed = 7\nminutes = 0.5"
    )
    found = wish(QUARTERS, ("duty = 0.95", lines))
    assert found.limits == Limits(0.9, 0.01, 0.1, 3, 1, (-10.0, 5.5))
    assert (found.shape, found.seed, found.minutes) == ("plate", 7, 0.5)
    assert found.season_deg == (-10.0, 5.5)


def test_hours_and_quarters_are_those_of_a_dial_toml():
    dial, found = dialfile.demo(), wish(QUARTERS)
    assert found.plan == dial.plan
    assert [(cell.column, cell.row) for cell in found.face.cells] == [
        (channel.column, channel.row) for channel in dial.channels
    ]


def test_gaps_of_hours_and_minutes():
    def columns(text, *edits):
        return sorted({cell.column for cell in wish(text, *edits).face.cells})

    assert columns(MINUTES) == [0, 1, 2, 4, 5, 6, 9, 10, 11, 13, 14, 15]
    close = ('minutes"', 'minutes"\ndigit_gap = 0\nmiddle_gap = 1')
    assert columns(MINUTES, close) == [0, 1, 2, 3, 4, 5, 7, 8, 9, 10, 11, 12]


def test_patterns_light_what_is_drawn_and_spell_what_is_said():
    found = wish(PATTERNS)
    assert found.face.cells == (Cell(0, 0), Cell(2, 0), Cell(0, 1), Cell(1, 1))
    assert found.plan.steps == (
        Step(0, 660.0, "11:00", frozenset({0, 2})),
        Step(1, 680.0, "11:20", frozenset({1, 3})),
        Step(2, 700.0, "12:15", frozenset()),
    )


def test_drills_are_the_ones_large_enough_each_once():
    assert wish(PATTERNS).process == Process(2.0, 2, 0.05, "drill", (2.0, 3.0, 4.0))
    least = wish(PATTERNS, ("wall_mm = 2", "wall_mm = 2\nexit_mm = 2.5"))
    assert least.process == Process(3.0, 2, 0.05, "drill", (3.0, 4.0))


@pytest.mark.parametrize("text", [QUARTERS, MINUTES], ids=["quarters", "minutes"])
def test_summer_time_is_spelt_an_hour_later_under_the_same_sun(text):
    plain = wish(text)
    summer = wish(text, ("steps = 28", "steps = 28\nsummer_time = true"))
    assert np.array_equal(
        layout.step_edges_deg(plain.site, plain.plan, 0.0),
        layout.step_edges_deg(summer.site, summer.plan, 0.0),
    )
    assert summer.plan.steps[0].spells == "09:30"
    late = wish(text, ('"08:30"', '"09:30"'), ("steps = 28", "steps = 24"))
    for shown, same in zip(summer.plan.steps, late.plan.steps, strict=False):
        assert (shown.spells, shown.channels) == (same.spells, same.channels)
        assert same.start_min - shown.start_min == 60


def test_summer_time_of_patterns_is_in_what_is_left_out_alone():
    zone = ('"apparent"', '"zone"\nsummer_time = true')
    spelt = [step.spells for step in wish(PATTERNS, zone).plan.steps]
    assert spelt == ["11:00", "12:20", "12:15"]


@pytest.mark.parametrize(
    ("earliest", "latest"), [("2027-04-16", "2027-04-16"), ("2027-05-20", "2027-07-30"),
                             ("2026-11-02", "2027-02-10"), ("2027-10-03", "2028-04-02")]
)  # fmt: skip
def test_dates_give_the_season_that_a_formula_of_its_own_gives(earliest, latest):
    """The board's formula, not the ephemeris: good to 0.002 deg."""
    found = wish(QUARTERS, ("duty = 0.95", f"earliest = {earliest}\nlatest = {latest}"))
    start = to_us(datetime.fromisoformat(f"{earliest}T00:00-01:00")) // 1_000_000
    end = to_us(datetime.fromisoformat(f"{latest}T00:00-01:00")) // 1_000_000 + 86400
    all_deg = [math.degrees(sun.sun(at, 0, math)[1]) for at in range(start, end + 1, 3600)]
    assert found.season_deg == pytest.approx((min(all_deg), max(all_deg)), abs=0.003)


@pytest.mark.parametrize("name", EXAMPLES)
def test_examples_load(name):
    found = wishfile.load(wishfile.SPECS.joinpath(f"{name}.toml"))
    lit = frozenset().union(*(step.channels for step in found.plan.steps))
    assert lit <= set(range(len(found.face.cells)))
    assert found.limits.duty is not None


def test_no_example_is_without_a_test():
    names = {entry.name for entry in wishfile.SPECS.iterdir()}
    assert names == {f"{name}.toml" for name in EXAMPLES}


def test_what_the_examples_are_for():
    demo, small, plate, teaching, south, twenty = (
        wishfile.load(wishfile.SPECS.joinpath(f"{name}.toml")) for name in EXAMPLES
    )
    assert demo.site == dialfile.demo().site and demo.plan == dialfile.demo().plan
    assert demo.envelope == Envelope(230, 230, 120)
    assert replace(small, name=demo.name, envelope=demo.envelope) == demo
    assert small.envelope == Envelope(150, 150, 80)
    assert plate.shape == "plate" and plate.envelope.height_mm < demo.envelope.height_mm
    assert len(teaching.face.cells) == 1 and teaching.process.kind == "drill"
    assert sum(bool(step.channels) for step in teaching.plan.steps) == 2
    assert south.site.hemisphere == -1
    assert south.plan.steps[0].spells == "09:30" and south.plan.steps[0].start_min == 8.5 * 60
    assert (len(twenty.face.cells), twenty.plan.step_min) == (60, 20)


def test_only_specs_that_name_dates_need_the_ephemeris(run):
    code = (
        "import sys; from dialbench import wishfile; "
        "wishfile.load(wishfile.SPECS.joinpath('demo.toml')); print(*sys.modules)"
    )
    done = run([sys.executable, "-c", code])
    assert done.returncode == 0, done.stderr
    loaded = set(done.stdout.split())
    assert "dialbench.wishfile" in loaded
    assert not loaded & {"skyfield", "scipy", "matplotlib"}


# What is refused.


def test_mistakes_of_every_kind_are_reported_at_once():
    found = problems(
        QUARTERS,
        ("latitude_deg = 41.2", "latitude_deg = 95"),
        ("wall_mm = 0.4", "wall_mm = 0"),
        ("sharp = 0.25", "sharpp = 0.25"),
        ("steps = 28", 'steps = 80\nsummer_time = "yes"'),
        ("format = 1", "format = 2"),
        ("height_mm = 120", "heigth_mm = 120"),
    )
    assert found == [
        "format: is 2; write 1, the version of this format",
        "site.latitude_deg: is 95; write the latitude in degrees north, -90 to 90",
        (
            "plan.summer_time: is 'yes'; write true if the face is to show summer time, one hour "
            "ahead of the zone's standard time, in which start still counts; left out, false"
        ),
        (
            "envelope.height_mm: is missing; write its size from the face outwards in mm, more than "
            "0 and at most 10000"
        ),
        "envelope.heigth_mm: does not belong here; write height_mm if that is meant",
        (
            "process.wall_mm: is 0; write the thinnest wall in mm that your process can make, more "
            "than 0 and at most 100"
        ),
        "wish.sharpp: does not belong here; write sharp if that is meant",
        (
            "plan.steps: 80 steps of 15 min from 08:30 run past midnight; write at most 62 or an "
            "earlier start"
        ),
    ]


def test_what_is_impossible_is_reported_beside_mistakes_elsewhere():
    found = problems(
        QUARTERS,
        ("duty = 0.95", "duty = 95"),
        ('"Two digits"', '""'),
        ('start = "08:30"', 'start = "02:00"'),
        ("width_mm = 230", "width_mm = 5"),
    )
    assert fields(found) == ["name", "wish.duty", "plan.start", "envelope.width_mm"]


def test_the_sky_is_looked_at_whatever_the_sizes_are():
    found = problems(
        PATTERNS,
        ("height_mm = 60", "height_mm = -1"),
        ("latitude_deg = 41.2", "latitude_deg = -89"),
        ('pixels = ["..#", ".#."]', 'pixels = ["#..", "#.."]'),
        ("[envelope]", "[wish]\nseason_deg = [10, 20]\n[envelope]"),
    )
    assert fields(found) == ["envelope.height_mm", "plan.start", "face.step.1.pixels"]


@pytest.mark.parametrize(
    ("old", "new", "field", "words"),
    [
        ('kind = "hours-and-quarters"', 'kind = "listed"', "face.kind", 'or "patterns"'),
        ('kind = "hours-and-quarters"', "digit_gap = 1", "face.kind", "is missing"),
        ('quarters"', 'quarters"\nrow_pitch_mm = 3', "face.row_pitch_mm", "remove it"),
        ("step_min = 15", "step_min = 20", "plan.step_min", "write 15, 30 or 60"),
        ('time = "zone"', 'time = "mean"\nsummer_time = true', "plan.summer_time", "leave it out"),
        ("width_mm = 230", "width_mm = 0", "envelope.width_mm", "across the hours in mm"),
        ('kind = "print"', 'kind = "cast"', "process.kind", 'write "print" or "drill"'),
        ('kind = "print"', 'kind = "drill"', "process.drills_mm", "is missing; write a list of"),
        ('kind = "print"', 'kind = "print"\ndrills_mm = [1]', "process.drills_mm", "remove it"),
        ("exit_mm = 0.5", "exit_mm = nan", "process.exit_mm", "is nan"),
        ("exit_mm = 0.5", "", "process.exit_mm", "is missing"),
        ("wall_mm = 0.4", "wall_mm = 0.4\nfeature_mm = 0", "process.feature_mm", "more than 0"),
        ("duty = 0.95", "duty = 1.1", "wish.duty", "0 to 1"),
        ("duty = 0.95", 'shape = "ball"', "wish.shape", '"half-cylinder", "plate"'),
        ("duty = 0.95", "seed = -1", "wish.seed", "whole number"),
        ("duty = 0.95", "minutes = 0", "wish.minutes", "more than 0"),
        ("duty = 0.95", "season_deg = [5, -5]", "wish.season_deg", "lower one first"),
        ("duty = 0.95", "season_deg = [5]", "wish.season_deg", "list of two declinations"),
        ("duty = 0.95", "season_deg = [-24, 0]", "wish.season_deg.0", "-23.5 to 23.5"),
        ("duty = 0.95", "earliest = 2027-03-01", "wish.latest", "is missing beside earliest"),
        ("duty = 0.95", "latest = 2027-03-01", "wish.earliest", "is missing beside latest"),
        ("duty = 0.95", "latest = 2051-03-01", "wish.latest", "2050-12-31"),
    ],
)
def test_one_mistake(old, new, field, words):
    found = problems(QUARTERS, (old, new))
    matching = [problem for problem in found if problem.startswith(f"{field}: ")]
    assert len(matching) == 1, found
    assert words in matching[0]


def test_a_season_is_said_once_and_forwards():
    dates = "earliest = 2027-05-01\nlatest = 2027-04-01\nseason_deg = [0, 1]"
    assert problems(QUARTERS, ("duty = 0.95", dates)) == [
        "wish.season_deg: stands beside earliest; keep either season_deg or the dates",
        "wish.latest: is 2027-04-01, before earliest, 2027-05-01; write a later date",
    ]


@pytest.mark.parametrize(
    ("old", "new", "field", "words"),
    [
        ('"#.#",', '"#x#",', "face.cells.0", 'the signs "#" and "."'),
        ('    "#.#",\n    "##.",\n', "", "face.cells", "rows of text"),
        (
            '    "#.#",\n    "##.",\n',
            '"...", "...",',
            "face.cells",
            "has 0 channels; draw 1 to 128",
        ),
        ('"#.#",', f'"{"#" * 65}",', "face.cells.0", "each 1 to 64"),
        ('["#..", "#.."]', '["#.."]', "face.step.0.pixels", "has 1 rows, but face.cells has 2"),
        ('["#..", "#.."]', '["#..", "#."]', "face.step.0.pixels.1", "is 2 cells wide"),
        ('["#..", "#.."]', '["##.", "#.."]', "face.step.0.pixels.0", "lights column 1 (from 0)"),
        ('["#..", "#.."]', "[]", "face.step.0.pixels", "the picture of the step"),
        ('spells = "11:00"', 'spells = "eleven"', "face.step.0.spells", "the time of day"),
        ("steps = 3", "steps = 4", "plan.steps", "lists 3 steps; write that number"),
        ("step_min = 20", "step_min = 20.5", "face.step.1.spells", "begins at 11:20:30"),
        ("drills_mm = [4, 2, 3, 2.0]", "drills_mm = [0]", "process.drills_mm.0", "more than 0"),
        ("wall_mm = 2", "wall_mm = 2\nexit_mm = 5", "process.exit_mm", "largest of drills_mm is 4"),
    ],
)
def test_one_mistake_among_patterns(old, new, field, words):
    (found,) = problems(PATTERNS, (old, new))
    assert found.startswith(f"{field}: ")
    assert words in found


def test_more_channels_than_a_dial_has_are_refused():
    cells = "\n".join(f'"{"#" * 13}",' for _ in range(10))
    (found,) = problems(PATTERNS, ('    "#.#",\n    "##.",\n', cells))
    assert found == 'face.cells: has 130 channels; draw 1 to 128 of them as "#"'


def test_steps_that_look_alike_must_spell_alike():
    twin = ('pixels = ["..#", ".#."]', 'pixels = ["#..", "#.."]')
    assert problems(PATTERNS, twin) == [
        (
            "face.step.1.pixels: look like those of face.step.0, so that 11:00 and 11:20 cannot be "
            "told apart; draw another picture, let both spell the same, or write alike = true under "
            "[face] if that is meant"
        )
    ]
    same = (twin[0], twin[1] + '\nspells = "11:00"')
    assert len(wish(PATTERNS, same).plan.steps) == 3
    meant = ('kind = "patterns"', 'kind = "patterns"\nalike = true')
    assert len(wish(PATTERNS, twin, meant).plan.steps) == 3


def test_dark_steps_spell_nothing_but_not_all_may_be_dark():
    dark = ('pixels = ["..#", ".#."]', 'pixels = ["...", "..."]')
    assert len(wish(PATTERNS, dark).plan.steps) == 3
    darker = ('pixels = ["#..", "#.."]', 'pixels = ["...", "..."]')
    assert problems(PATTERNS, dark, darker) == [
        "face.step: no step lights a channel; draw some in pixels"
    ]


def test_a_distance_that_the_face_has_not_is_refused_with_the_one_it_has():
    # Of 14:00 and 14:15 only a dot differs.
    (found,) = problems(QUARTERS, ("duty = 0.95", "hamming = 2"))
    assert found == (
        "wish.hamming: is 2, but the faces of 08:30 and 08:45 differ in 1 channel; write at most 1, "
        "or choose another face"
    )
    assert wish(PATTERNS, ("[envelope]", "[wish]\nhamming = 4\n[envelope]")).limits.hamming == 4
    assert "differ in 4" in problems(
        PATTERNS, ("[envelope]", "[wish]\nhamming = 5\n[envelope]")
    )[0]  # fmt: skip


@pytest.mark.parametrize("bad", ["\\u001b[31m", "\\u202e", "\\u0000", "\\n"])
def test_names_must_be_printable_and_are_shown_harmless(bad):
    (found,) = problems(QUARTERS, ('"Two digits"', f'"a{bad}"'))
    assert found.startswith("name: is 'a\\")
    (found,) = problems(QUARTERS, ('"Two digits"', f'"x"\n"k{bad}" = 1'))
    assert found.startswith("'k\\")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("format = 1\nname 'x'\n", "line 2: is no TOML ("),
        ("name = 'a\x1b[31m'", "line 1: is no TOML ("),
        ("a = " + "[\n" * 50_000, "nested too deep for a layout spec"),
        ("\n" + ".".join("a" * 100_000) + " = 1", "line 2: is longer than 1000 characters"),
        ("", "format: is missing"),
    ],
)
def test_what_is_no_toml_is_refused_with_its_line(text, words):
    assert words in problems(text)[0]


def test_files_that_cannot_be_read(tmp_path):
    def told(path):
        with pytest.raises(wishfile.WishFileError) as caught:
            wishfile.load(path)
        assert str(caught.value).isprintable()
        return str(caught.value)

    absent = tmp_path / "no\x1b[31m.toml"
    assert told(absent) == f"{tmp_path}/no\\x1b[31m.toml: there is no such file"
    assert "cannot be read" in told(tmp_path)
    assert "cannot be read" in told(Path("a\0b"))
    large = tmp_path / "large.toml"
    large.write_bytes(b"#" * (wishfile.MAX_BYTES + 1))
    assert "is larger than 1 MB, no layout spec" in told(large)
    latin = tmp_path / "latin.toml"
    latin.write_bytes(b'format = 1\nname = "\xe9"\n')
    assert "line 2 is not UTF-8" in told(latin)


JUNK = st.sampled_from(
    [True, -1, 0, 1, 3, 10**30, -0.0, 1e-300, 1e300, float("nan"), float("inf"), "", "08:30",
     "#", "patterns", "drill", "\x1b", [], [[]], {}, {"kind": "patterns"}, [{}], ["#"],
     date(2020, 1, 1), datetime(2020, 1, 1, tzinfo=UTC)]
)  # fmt: skip


@settings(max_examples=200, deadline=None)
@given(st.data())
def test_no_junk_in_any_place_is_more_than_a_problem(data):
    document = tomllib.loads(data.draw(st.sampled_from([QUARTERS, MINUTES, PATTERNS])))
    for _ in range(data.draw(st.integers(1, 3))):
        place = document
        while True:
            keys = list(place) if isinstance(place, dict) else list(range(len(place)))
            key = data.draw(st.sampled_from(keys))
            inside = isinstance(place[key], dict | list) and place[key]
            if not inside or data.draw(st.booleans()):
                break
            place = place[key]
        place[key] = copy.deepcopy(data.draw(JUNK))
    try:
        found = wishfile._wish(document)
    except DialError as error:
        assert error.problems
        assert all(re.match(r"[\w.-]+: ", p) and p.isprintable() for p in error.problems)
        assert len(set(error.problems)) == len(error.problems)
    else:
        assert found.plan.steps == found.face.steps


# What cannot be.


def test_a_step_that_the_suns_disc_outlasts_is_refused():
    assert problems(MINUTES, ("step_min = 15", "step_min = 2")) == [
        (
            "plan.step_min: is 2, but the Sun's disc is 0.53 deg wide and takes up to 2.4 min to pass an "
            "edge, so that no channel can be fully lit within it; write at least 2.4"
        )
    ]
    assert wish(MINUTES, ("step_min = 15", "step_min = 3")).plan.step_min == 3
    spelt = ('pixels = ["..#", ".#."]', 'spells = "11:02"\npixels = ["..#", ".#."]')
    assert fields(problems(PATTERNS, spelt, ("step_min = 20", "step_min = 2.39"))) == [
        "plan.step_min"
    ]


def most_lit(step_min, declination_deg, exit_mm, length_mm=50.0):
    """Lit fraction in the middle of a step of the slot that half lights its exit at its ends."""
    radius = math.radians(wishcheck.SUN_DEG / 2) / math.cos(math.radians(declination_deg))
    entry_mm = 2 * length_mm * math.tan(math.radians(step_min / 8))
    return float(bores.slit_lit(0.0, radius, exit_mm, entry_mm, length_mm, math))


def test_the_least_step_is_the_one_that_a_needles_eye_needs():
    least = wishcheck.LEAST_STEP_MIN
    # In January the disc is widest, and passes slower the farther from the equator.
    assert most_lit(least, -23.0, 1e-3) == pytest.approx(1.0, abs=1e-6)
    assert most_lit(least - 0.1, -23.0, 1e-3) < 1 - 1e-4


@pytest.mark.parametrize(
    ("start", "count", "first"),
    [
        ("04:00", 9, "04:00, hour angle -121.4 to -117.7 deg"),
        ("14:00", 12, "18:00, hour angle 88.6 to 92.3 deg"),
    ],
)
def test_the_sun_must_not_be_behind_the_face(start, count, first):
    (found,) = problems(QUARTERS, ('"08:30"', f'"{start}"'))
    assert found == (
        f"plan.start: in {count} of 28 steps the body would have to see the Sun from behind, first "
        f"at {first}; choose start, step_min and steps so that all stay between -90 and 90 deg"
    )


def test_six_hours_either_side_of_noon_are_just_not_behind():
    day = ('start = "11:00"\nstep_min = 20', 'start = "06:00"\nstep_min = 240')
    spelt = ('pixels = ["..#", ".#."]', 'spells = "10:00"\npixels = ["..#", ".#."]')
    assert wish(PATTERNS, day, spelt).plan.step_min == 240
    for start in ("05:59", "06:01"):
        moved = (day[0], day[1].replace("06:00", start))
        assert "in 1 of 3 steps" in problems(PATTERNS, moved, spelt)[0]


def test_hours_without_sun_are_named():
    winter = ("duty = 0.95", "season_deg = [-23, -15]")
    (found,) = problems(QUARTERS, ('"08:30"', '"07:00"'), ("steps = 28", "steps = 44"), winter)
    assert found == (
        "plan.start: in 2 of 44 steps the Sun is never up at Gannet Holm between declination -23.00 "
        "and -15.00 deg: 17:30, 17:45; write fewer steps"
    )
    (found,) = problems(QUARTERS, ('"08:30"', '"06:30"'), winter)
    assert "in 1 of 28 steps" in found and found.endswith(": 06:30; start later")


def test_a_polar_night_has_no_hours_and_a_polar_day_all_that_the_body_sees():
    """At the pole the Sun circles: whoever is there may use any clock."""
    pole = ("latitude_deg = 41.2", "latitude_deg = 90")
    summer = ("duty = 0.95", "season_deg = [2, 23]")
    day = (('start = "08:30"', 'start = "07:15"'), ("steps = 28", "steps = 43"))
    assert len(wish(QUARTERS, pole, summer, *day).plan.steps) == 43
    (found,) = problems(QUARTERS, pole, ("duty = 0.95", "season_deg = [-23, -2]"))
    assert "in 28 of 28 steps the Sun is never up" in found
    assert found.endswith("10:15 and 20 more; choose other hours or another season")


def test_a_mountain_in_the_south_takes_the_winter_away():
    wall = "\n[[site.horizon]]\nazimuth_deg = 0\naltitude_deg = 30\n[face]"
    winter = ("duty = 0.95", "season_deg = [-23, -21]")
    found = problems(QUARTERS, ("[face]", wall), winter)
    assert "in 28 of 28 steps the Sun is never up" in found[0]
    assert len(wish(QUARTERS, ("[face]", wall)).plan.steps) == 28


HILLS = ((0.0, 0.0), (80.0, 12.0), (120.0, 0.0), (200.0, 25.0), (260.0, 3.0))


@pytest.mark.parametrize("horizon", [(), HILLS], ids=["free", "hills"])
@pytest.mark.parametrize("latitude_deg", [0.0, 41.2, -38.0, 68.5, -80.0])
def test_whether_the_sun_is_ever_up_as_a_year_of_ephemeris_has_it(latitude_deg, horizon):
    """Every five minutes of a year: where that saw the Sun, it may be; nowhere else.

    Hour angles and declinations are geocentric, as those of plans and seasons are.
    """
    site = Site("anywhere", latitude_deg, 0.0, 0.0, "UTC", *standard_air(0.0), horizon)
    start_us = to_us(datetime(2026, 12, 21, tzinfo=UTC))
    at_us = start_us + np.arange(0, 366 * 288) * 300_000_000
    up = Sky(site).sun(at_us).up
    ahead, declination, _ = ephemeris.apparent(ephemeris.ut1_us(at_us))
    declination_deg = np.degrees(declination)
    hour_angle_deg = (at_us / 240e6 + np.degrees(ahead)) % 360 - 180
    edges_deg = np.arange(-180.0, 181.0, 5.0)
    for season_deg in (ALL_YEAR_DEG, (-23.44, -10.0), (-3.0, 8.0)):
        found = wishcheck.ever_up(site, edges_deg, season_deg)
        for slack_deg in (0.0, 0.4):  # in a day the Sun moves by no more than that
            inside = declination_deg > season_deg[0] - slack_deg
            inside &= declination_deg < season_deg[1] + slack_deg
            seen = np.histogram(hour_angle_deg[inside & up], edges_deg)[0] > 0
            assert not ((seen > found) if not slack_deg else (found > seen)).any()
        assert season_deg == ALL_YEAR_DEG or abs(latitude_deg) > 75 or 0 < found.sum() < 72


def test_an_exit_larger_than_the_envelope_is_refused():
    found = problems(PATTERNS, ("drills_mm = [4, 2, 3, 2.0]", "drills_mm = [95]"))
    assert fields(found) == ["envelope.width_mm", "envelope.length_mm"]
    assert "exits of 95 mm and walls of 2 mm" in found[0]


def test_the_room_that_a_face_needs_is_exits_and_walls_side_by_side():
    # Three cells across at a pitch of 4 mm, exits of 2, and a wall either side; two down.
    edits = ("width_mm = 100", "width_mm = 13.9"), ("length_mm = 90", "length_mm = 9.9")
    found = problems(PATTERNS, *edits, ('"##.",', '"###",'))
    assert [problem.split(";")[1] for problem in found] == [
        " write at least 14, or smaller ones",
        " write at least 10, or smaller ones",
    ]
    # Cells two apart in their rows may stand closer.
    apart = ('"##.",', '"#.#",'), ('["..#", ".#."]', '["..#", "..#"]')
    assert fields(problems(PATTERNS, *edits, *apart)) == ["envelope.length_mm"]


def test_one_channel_needs_no_pitch():
    sizes = wishcheck.size_faults(
        Face((Cell(5, 5),), (Step(0, 720.0, "12:00", frozenset({0})),)),
        20.0,
        None,
        Envelope(6.0, 6.0, 60.0),
        Process(2.0, 2.0, 0.05),
    )
    assert sizes == []


def test_the_widest_exit_is_the_one_that_is_just_fully_lit():
    (found,) = problems(
        QUARTERS, ("exit_mm = 0.5", "exit_mm = 9"), ("height_mm = 120", "height_mm = 30")
    )
    told = re.fullmatch(
        r"process.exit_mm: is 9, but the envelope has no bore longer than ([\d.]+) mm, and through "
        r"it a channel to be lit for 15 min would never be fully lit; write at most ([\d.]+), or a "
        "larger envelope",
        found,
    )
    length_mm, most_mm = map(float, told.groups())
    assert 30 <= length_mm < 32
    assert most_lit(15, 0.0, most_mm, length_mm) == pytest.approx(1.0, abs=1e-6)
    assert most_lit(15, 0.0, most_mm * 1.05, length_mm) < 1 - 1e-4
    wish(QUARTERS, ("exit_mm = 0.5", f"exit_mm = {most_mm}"), ("height_mm = 120", "height_mm = 30"))


def test_the_widest_drill_is_the_one_that_goes_dark_with_its_step():
    (found,) = problems(PATTERNS, ("drills_mm = [4, 2, 3, 2.0]", "drills_mm = [9]"))
    told = re.search(
        r"longer than ([\d.]+) mm, .* 20 min would stay lit longer; write at most ([\d.]+)", found
    )
    length_mm, most_mm = map(float, told.groups())
    off = math.radians(2.5)
    lit = bores.round_lit(
        math.cos(off), math.sin(off), 0.0, 1e-6, most_mm, most_mm, length_mm, math
    )
    assert lit == pytest.approx(0.5, abs=0.002)


def test_channels_that_stay_on_over_steps_may_have_wider_exits():
    steps = tuple(Step(k, 700.0 + 5 * k, f"12:0{k}", frozenset({0})) for k in range(6))
    still, process = Face((Cell(0, 0),), steps), Process(4.0, 1.0, 0.05)
    assert wishcheck.size_faults(still, 5.0, None, Envelope(50, 50, 50), process) == []
    blinking = replace(still, steps=tuple(
        replace(step, channels=frozenset({0} if k % 2 else ())) for k, step in enumerate(steps)
    ))  # fmt: skip
    (fault,) = wishcheck.size_faults(blinking, 5.0, None, Envelope(50, 50, 50), process)
    assert "lit for 5 min" in fault


# Its schema.


def test_json_schema_describes_every_field_and_refuses_others():
    found = json.loads(json.dumps(wishfile.json_schema()))
    tables = [found, *found["$defs"].values()]
    assert len(tables) == 12
    for table in tables:
        assert table["additionalProperties"] is False
        for name, field in table["properties"].items():
            assert field["description"], name
    assert set(found["required"]) == {
        "format", "name", "site", "face", "plan", "envelope", "process",
    }  # fmt: skip
    assert "drills_mm" in found["$defs"]["DrillTable"]["required"]
    assert "drills_mm" not in found["$defs"]["PrintTable"]["properties"]


def test_the_command_prints_either_schema():
    for words, schema_of in (([], dialfile), (["dial"], dialfile), (["layout"], wishfile)):
        ran = CliRunner().invoke(schema.command, words)
        assert (ran.exit_code, json.loads(ran.output)) == (0, schema_of.json_schema())
    assert CliRunner().invoke(schema.command, ["clock"]).exit_code == 2
