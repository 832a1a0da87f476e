"""dial.toml: what loads, what is refused and in which words, and that writing loses nothing."""

import copy
import json
import re
import subprocess
import sys
import tomllib
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from dialbench import dialfile
from dialbench.dial import (
    Body,
    Bore,
    Channel,
    Dial,
    DialError,
    Plan,
    Site,
    Step,
    standard_air,
)

GENERATED = """\
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
column_pitch_mm = 20
row_pitch_mm = 31

[plan]
time = "zone"
start = "08:30"
step_min = 15
steps = 28

[body]
shape = "half-cylinder"
radius_mm = 111
length_mm = 300

[bores]
generated = "uniform"
exit_mm = 0.35
taper_deg = 1.4
opening_deg = 48
"""
LISTED = (
    GENERATED[: GENERATED.index("[face]")]
    + """\
[face]
kind = "listed"
[[face.channel]]
y_mm = 10
z_mm = 0
column = 0
row = 0
[[face.channel]]
y_mm = -10
z_mm = 0
column = 1
row = 0
[[face.step]]
start = "11:50"
spells = "11:50"
channels = [0]
[[face.step]]
start = "12:00"
spells = "12:00"
channels = [1, 0]

[plan]
time = "apparent"
start = "11:50"
step_min = 10
steps = 2

[body]
shape = "half-cylinder"
radius_mm = 50
length_mm = 200

[[bore]]
channel = 0
hour_angle_deg = 0
declination_deg = 0
shape = "slot"
exit_mm = 0.5
entry_mm = 3
length_mm = 48.99
opening_deg = 48
[[bore]]
channel = 1
hour_angle_deg = 0.0
declination_deg = 60
shape = "round"
exit_mm = 1
entry_mm = 2
length_mm = 97.98
"""
)


def problems(text, *edits):
    """What is wrong with a dial.toml after edits (old, new), without the file's name."""
    for old, new in edits:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    with pytest.raises(dialfile.DialFileError) as caught:
        dialfile.parse(text, "my.toml")
    assert all(problem.startswith("my.toml: ") for problem in caught.value.problems)
    assert str(caught.value).isprintable() or "\n" in str(caught.value)
    return [problem.removeprefix("my.toml: ") for problem in caught.value.problems]


def fields(found):
    return [problem.split(":")[0] for problem in found]


def test_the_demo_dial_loads():
    dial = dialfile.demo()
    assert dial.site.name == "Gannet Holm"
    assert (dial.site.latitude_deg, dial.site.longitude_deg) == (41.2, -16.4)
    assert (len(dial.channels), len(dial.plan.steps)) == (33, 28)
    assert {bore.channel for bore in dial.bores} == set(range(33))
    assert (dial.limits.duty, dial.limits.wrong, dial.limits.ghost) == (0.95, 0.0, 0.05)


def test_a_plan_without_a_design_date_never_loads_the_ephemeris():
    code = "import sys; from dialbench import dialfile; dialfile.demo(); print(*sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = {name.split(".")[0] for name in done.stdout.split()}
    assert "pydantic" in loaded
    assert not loaded & {"skyfield", "scipy", "textual"}


def test_listed_faces_and_bores_load_as_they_stand():
    dial = dialfile.parse(LISTED, "my.toml")
    assert dial.channels == (Channel(10, 0, 0, 0), Channel(-10, 0, 1, 0))
    assert dial.plan == Plan(
        "apparent",
        10.0,
        (Step(0, 710.0, "11:50", frozenset({0})), Step(1, 720.0, "12:00", frozenset({0, 1}))),
    )
    assert dial.body == Body(50, 200)
    assert dial.bores == (
        Bore(0, 0, 0, "slot", 0.5, 3, 48.99, 48),
        Bore(1, 0, 60, "round", 1, 2, 97.98, 0),
    )


def test_air_is_standard_unless_the_file_says_otherwise():
    high = GENERATED.replace("elevation_m = 24", "elevation_m = 1000")
    site = dialfile.parse(high, "my.toml").site
    # ISO 2533:1975, table for 1000 m (from memory).
    assert site.pressure_mbar == pytest.approx(898.75, abs=0.05)
    assert site.temperature_C == pytest.approx(8.5, abs=1e-9)
    own = "elevation_m = 1000\npressure_mbar = 880\ntemperature_C = 0"
    site = dialfile.parse(high.replace("elevation_m = 1000", own), "my.toml").site
    assert (site.pressure_mbar, site.temperature_C) == (880.0, 0.0)


@pytest.mark.parametrize(
    ("elevation_m", "pressure_mbar", "temperature_C"),
    [(0, 1013.25, 15.0), (5000, 540.20, -17.5), (9000, 307.42, -43.5)],
)
def test_standard_air_as_published(elevation_m, pressure_mbar, temperature_C):
    # ISO 2533:1975, tables over geopotential altitude (from memory).
    found = standard_air(elevation_m)
    assert found == pytest.approx((pressure_mbar, temperature_C), abs=0.05)


def test_three_mistakes_are_all_reported_with_what_to_write():
    found = problems(
        GENERATED,
        ("latitude_deg = 41.2", "latitude_deg = 95"),
        ("row_pitch_mm = 31", "row_pich_mm = 31"),
        ("steps = 28", 'steps = "28"'),
    )
    assert found == [
        "site.latitude_deg: is 95; write the latitude in degrees north, -90 to 90",
        (
            "face.row_pitch_mm: is missing; write the distance between rows in mm, more than 0 and "
            "at most 10000"
        ),
        "face.row_pich_mm: does not belong here; write row_pitch_mm if that is meant",
        "plan.steps: is '28'; write how many steps, a whole number from 1 to 96",
    ]


def test_mistakes_between_fields_are_reported_beside_those_of_single_fields():
    found = problems(
        LISTED,
        ("latitude_deg = 41.2", "latitude_deg = true"),
        ("channels = [1, 0]", "channels = [1, 2]"),
        ("steps = 2\n", "steps = 3\n"),
        ('start = "12:00"', 'start = "12:05"'),
        ("column = 1", "column = 0"),
        ("channel = 1\nhour_angle_deg = 0.0\n", "channel = 7\nhour_angle_deg = 95\n"),
        ("entry_mm = 2", "entry_mm = -2"),
    )
    assert found == [
        "site.latitude_deg: is true; write the latitude in degrees north, -90 to 90",
        (
            "bore.1.entry_mm: is -2; write its diameter at the entry in mm, more than 0 and at most "
            "10000"
        ),
        (
            "face.channel.1.column: channels 0 and 1 share column 0, row 0; give each a cell of its "
            "own"
        ),
        "plan.steps: is 3, but the face lists 2 steps; write that number",
        "face.step.1.start: is 12:05, but the plan begins it at 12:00",
        "face.step.1.channels.1: is 2; write a channel of the face, 0 to 1",
        (
            "bore.1.hour_angle_deg: is 95, where a bore never meets the body; write an angle between "
            "-90 and 90"
        ),
        "bore.1.channel: is 7; write a channel of the face, 0 to 1",
    ]


def test_bores_that_do_not_fit_are_reported_beside_a_bad_name():
    found = problems(GENERATED, ('"Two digits"', '""'), ("length_mm = 300", "length_mm = 200"))
    assert fields(found) == ["name", "body.length_mm"]
    found = problems(LISTED, ("radius_mm = 50", "radius_mm = 9"), ("format = 1", "format = 2"))
    assert fields(found) == ["format", "body.radius_mm"]


@pytest.mark.parametrize(
    ("old", "new", "field", "words"),
    [
        ("format = 1", "format = true", "format", "is true; write 1"),
        ("format = 1", "", "format", "is missing; write 1"),
        ('zone = "-01:00"', 'zone = "Mars/Base"', "site.zone", "'Mars/Base'; write the time zone"),
        ('zone = "-01:00"', 'zone = "Europe"', "site.zone", "IANA name"),
        ('zone = "-01:00"', 'zone = "../../etc/passwd"', "site.zone", "IANA name"),
        ('zone = "-01:00"', 'zone = "+05:75"', "site.zone", "IANA name"),
        ("longitude_deg = -16.4", "longitude_deg = 181", "site.longitude_deg", "-180 to 180"),
        ("elevation_m = 24", "elevation_m = nan", "site.elevation_m", "is nan; write"),
        ("elevation_m = 24", "elevation_m = -inf", "site.elevation_m", "is -inf; write"),
        ("elevation_m = 24", f"elevation_m = 1{'0' * 400}", "site.elevation_m", "is 10000"),
        ("elevation_m = 24", "elevation_m = [1]", "site.elevation_m", "is a list; write"),
        ("radius_mm = 111", "radius_mm = 0", "body.radius_mm", "is 0; write the radius in mm"),
        ("radius_mm = 111", "radius_mm = 1e999", "body.radius_mm", "is inf"),
        ("radius_mm = 111", "radius_mm = {a = 1}", "body.radius_mm", "is a table"),
        ("exit_mm = 0.35", "exit_mm = -0.35", "bores.exit_mm", "more than 0"),
        ("exit_mm = 0.35", "exit_mm = 300", "body.radius_mm", "write at least"),
        ("opening_deg = 48", "opening_deg = 180", "bores.opening_deg", "under 180"),
        ('time = "zone"', 'time = "summer"', "plan.time", 'write "zone"'),
        (
            'start = "08:30"',
            "start = 08:30:00",
            "plan.start",
            'write when the first step begins, "',
        ),
        ('start = "08:30"', 'start = "03:00"', "plan.start", "never meet the body"),
        ('start = "08:30"', 'start = "20:00"', "plan.steps", "write at most 16"),
        ("step_min = 15", "step_min = 20", "plan.step_min", "write 15, 30 or 60"),
        ("steps = 28", "steps = 28.0", "plan.steps", "is 28.0; write how many steps"),
        ("steps = 28", "steps = 97", "plan.steps", "from 1 to 96"),
        ("steps = 28", "steps = 28\ndesign_date = 1850-01-01", "plan.design_date", "1900-01-01"),
        ("steps = 28", "steps = 28\ndesign_date = '2025-01-01'", "plan.design_date", "no quotes"),
        ('kind = "hours-and-quarters"', 'kind = "clock"', "face.kind", 'or "listed"'),
        ('kind = "hours-and-quarters"', "", "face.kind", "is missing"),
        ('name = "Gannet Holm"', f'name = "{"x" * 81}"', "site.name", "1 to 80 printable"),
        ('generated = "uniform"', 'generated = "x"\nwidth = 3', "bores.width", "remove it"),
    ],
)
def test_one_mistake(old, new, field, words):
    words = words.replace("no quotes", "without quotes")
    found = problems(GENERATED, (old, new))
    matching = [problem for problem in found if problem.startswith(f"{field}: ")]
    assert len(matching) == 1, found
    assert words in matching[0]


@pytest.mark.parametrize("bad", ["\\u001b[31m", "\\u202e", "\\u0000", "\\n", "\\u200d", "\\u0085"])
def test_names_must_be_printable_and_are_shown_harmless(bad):
    (found,) = problems(GENERATED, ('"Two digits"', f'"a{bad}"'))
    assert found.startswith("name: is 'a\\")
    assert found.isprintable()
    (found,) = problems(GENERATED, ('name = "Two digits"', f'name = "x"\n"k{bad}" = 1'))
    assert found.startswith("'k\\")
    assert found.isprintable()


def test_letters_of_any_script_are_fine_in_names():
    text = GENERATED.replace("Two digits", 'Zifferblatt „Ä“ 時計 \\"\\\\')
    dial = dialfile.parse(text, "my.toml")
    assert dial.name == 'Zifferblatt „Ä“ 時計 "\\'
    assert dialfile.parse(dialfile.dump(dial), "my.toml") == dial


def test_exactly_one_kind_of_bores():
    without = GENERATED[: GENERATED.index("[bores]")]
    assert problems(without) == [
        "bores: is missing; write the table [bores], or [[bore]] for every single bore"
    ]
    both = LISTED + GENERATED[GENERATED.index("[bores]") :]
    assert problems(both) == ["bores: stands beside [[bore]]; keep one of the two"]
    assert fields(problems(without.replace("format = 1", "format = 1\nbore = []"))) == ["bore"]


@pytest.mark.parametrize(
    ("old", "new", "field"),
    [
        ("opening_deg = 48\n", "", "bore.0.opening_deg"),
        ("length_mm = 97.98\n", "length_mm = 97.98\nopening_deg = 4\n", "bore.1.opening_deg"),
        ('shape = "slot"', 'shape = "oval"', "bore.0.shape"),
        ('shape = "round"\n', "", "bore.1.shape"),
        ("length_mm = 48.99", "length_mm = 47", "bore.0.length_mm"),
        ("length_mm = 97.98", "length_mm = 99", "bore.1.length_mm"),
        ("declination_deg = 60", "declination_deg = 90", "bore.1.declination_deg"),
        ("length_mm = 200", "length_mm = 100", "body.length_mm"),
        ("hour_angle_deg = 0.0", "hour_angle_deg = 90", "bore.1.hour_angle_deg"),
        ("hour_angle_deg = 0.0", "hour_angle_deg = -90", "bore.1.hour_angle_deg"),
        ("hour_angle_deg = 0.0", "hour_angle_deg = 181", "bore.1.hour_angle_deg"),
        ("channel = 1\n", "channel = -1\n", "bore.1.channel"),
        ('spells = "12:00"', 'spells = "12:00:00"', "face.step.1.spells"),
        ('spells = "12:00"', 'spells = "noon"', "face.step.1.spells"),
        ("channel = 1\n", "channel = 128\n", "bore.1.channel"),
    ],
)
def test_one_mistake_among_listed_things(old, new, field):
    assert fields(problems(LISTED, (old, new))) == [field]


def test_a_listed_face_may_have_generated_bores_if_it_lights_anything():
    text = LISTED[: LISTED.index("[[bore]]")] + GENERATED[GENERATED.index("[bores]") :]
    bores = dialfile.parse(text, "my.toml").bores
    assert [(bore.channel, bore.hour_angle_deg) for bore in bores] == [
        (0, -1.25),
        (0, 1.25),
        (1, 1.25),
    ]
    dark = text.replace("channels = [0]", "channels = []").replace("[1, 0]", "[]")
    assert problems(dark) == ["face.step: no step lights a channel; list some in channels"]


def test_one_channel_has_one_exit():
    found = problems(LISTED, ("channel = 1\n", "channel = 0\n"))
    assert found == [
        (
            "bore.1.shape: is 'round', but bore.0 has 'slot'; write the same, for channel 0 has but "
            "one exit"
        ),
        "bore.1.exit_mm: is 1, but bore.0 has 0.5; write the same, for channel 0 has but one exit",
    ]


def test_limits_of_size():
    channel = "[[face.channel]]\ny_mm = 0\nz_mm = 0\ncolumn = 0\nrow = 0\n"
    found = problems(
        LISTED, ('[[face.step]]\nstart = "11', channel * 127 + '[[face.step]]\nstart = "11')
    )
    assert "face.channel: is a list; write [[face.channel]], 1 to 128 of them" in found
    text = LISTED[: LISTED.index("[[bore]]")] + "[[bore]]\n" * 20_001
    assert problems(text) == [
        "bore: is a list; write [[bore]], at most 20000 of them, one by one; then no [bores]"
    ]
    many = LISTED[: LISTED.index("[[bore]]")] + "[[bore]]\n" * 20
    with pytest.raises(dialfile.DialFileError) as caught:
        dialfile.parse(many, "my.toml")
    assert len(caught.value.problems) == 140
    lines = str(caught.value).splitlines()
    assert (len(lines), lines[-1]) == (41, "... and 100 more")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("format = 1\nname 'x'\n", "line 2: is no TOML ("),
        ("format = 1\nformat = 2\n# end\n", "line 2: is no TOML ("),
        ("format = 1\nname = 'x", "line 2: is no TOML ("),
        ("name = 'a\0b'", "line 1: is no TOML ("),
        ("name = 'a\x1b[31m'", "line 1: is no TOML ("),
        ("a = " + "[\n" * 50_000, "nested too deep"),
        ("\n" + ".".join("a" * 100_000) + " = 1", "line 2: is longer than 1000 characters"),
        ("a = 1" + "0" * 5000, "line 1: is longer than 1000 characters"),
        ("", "format: is missing"),
    ],
)
def test_what_is_no_toml_is_refused_with_its_line(text, words):
    found = problems(text)
    assert words in found[0]
    assert all(problem.isprintable() for problem in found)


def load_problem(path):
    with pytest.raises(dialfile.DialFileError) as caught:
        dialfile.load(path)
    (problem,) = caught.value.problems
    assert problem.isprintable()
    return problem


def test_files_that_cannot_be_read(tmp_path):
    absent = tmp_path / "no\x1b[31m.toml"
    assert load_problem(absent) == f"{tmp_path}/no\\x1b[31m.toml: there is no such file"
    assert "cannot be read" in load_problem(tmp_path)
    assert "cannot be read" in load_problem(Path("a\0b"))
    large = tmp_path / "large.toml"
    large.write_bytes(b"#" * (dialfile.MAX_BYTES + 1))
    assert "is larger than 4 MB" in load_problem(large)
    latin = tmp_path / "latin.toml"
    latin.write_bytes(b'format = 1\nname = "\xe9"\n')
    assert "line 2 is not UTF-8" in load_problem(latin)


def test_a_byte_order_mark_and_dos_line_ends_do_no_harm(tmp_path):
    path = tmp_path / "dos.toml"
    path.write_bytes(b"\xef\xbb\xbf" + GENERATED.replace("\n", "\r\n").encode())
    assert dialfile.load(path) == dialfile.parse(GENERATED, "my.toml")


@pytest.mark.parametrize("text", [GENERATED, LISTED], ids=["generated", "listed"])
@pytest.mark.parametrize("latitude_deg", ["41.2", "-41.2", "0"])
def test_dump_loads_back_to_the_same_dial(text, latitude_deg):
    dial = dialfile.parse(text.replace("41.2", latitude_deg), "my.toml")
    again = dialfile.parse(dialfile.dump(dial), "my.toml")
    assert again == dial
    assert again.hash == dial.hash
    assert dialfile.dump(again) == dialfile.dump(dial)


NUMBER = st.floats(-1000, 1000)


@st.composite
def dials(draw):
    """Dials with listed everything; bores of the length that axis and body make."""
    south, count = draw(st.booleans()), draw(st.integers(1, 5))
    latitude_deg = draw(st.floats(-90, -1e-6) if south else st.floats(0, 90))
    channels = tuple(Channel(draw(st.floats(-9, 9)), draw(NUMBER), k, 0) for k in range(count))
    step_min, first_s = draw(st.floats(0.1, 100)), draw(st.integers(0, 40_000))
    steps = tuple(
        Step(
            k,
            first_s // 3600 * 60 + first_s // 60 % 60 + first_s % 60 / 60 + k * step_min,
            draw(st.sampled_from(["00:00", "23:59", "12:30"])),
            draw(st.frozensets(st.integers(0, count - 1))),
        )
        for k in range(draw(st.integers(1, 6)))
    )
    day = draw(st.none() | st.dates(date(1900, 1, 1), date(2050, 12, 31)))
    body = Body(100.0, 10_000.0)
    bores = []
    for channel in range(count):
        y_mm, angle_deg = channels[channel].y_mm, draw(st.floats(-80, 80))
        length_mm = dialfile.layout.depth_mm(body, y_mm, angle_deg, -1 if south else 1)
        slot = draw(st.booleans())
        bores.append(
            Bore(
                channel,
                angle_deg,
                0.0,
                "slot" if slot else "round",
                draw(st.floats(0.01, 1)),
                draw(st.floats(0.01, 10)),
                length_mm + draw(st.floats(-0.5, 0.5)),
                draw(st.floats(1, 170)) if slot else 0.0,
            )
        )
    site = Site(
        draw(st.text(st.characters(exclude_categories=["C", "Z"]), min_size=1, max_size=80)),
        latitude_deg,
        draw(st.floats(-180, 180)),
        draw(st.floats(-500, 9000)),
        draw(st.sampled_from(["+00:00", "-11:30", "Pacific/Auckland", "UTC"])),
        draw(st.floats(200, 1200)),
        draw(st.floats(-90, 60)),
        tuple(
            (azimuth_deg, draw(st.floats(-5, 90)))
            for azimuth_deg in sorted(
                draw(st.sets(st.floats(0, 360, exclude_max=True), max_size=4))
            )
        ),
    )
    kind = draw(st.sampled_from(["zone", "mean", "apparent"]))
    return Dial("a dial", site, channels, Plan(kind, step_min, steps, day), body, tuple(bores))


@settings(max_examples=60, suppress_health_check=[HealthCheck.too_slow], deadline=None)
@given(dials())
def test_any_dial_comes_back_from_its_dump(dial):
    again = dialfile.parse(dialfile.dump(dial), "my.toml")
    assert again == dial
    assert again.hash == dial.hash


def test_what_no_file_can_describe_is_not_written():
    dial = dialfile.parse(LISTED, "my.toml")
    first, second = dial.plan.steps
    uneven = replace(dial.plan, steps=(first, replace(second, start_min=720.001)))
    with pytest.raises(DialError, match="do not follow each other"):
        dialfile.dump(replace(dial, plan=uneven))
    with pytest.raises(DialError, match="printable"):
        dialfile.dump(replace(dial, name="\x1b"))
    with pytest.raises(DialError):
        dialfile.dump(replace(dial, body=Body(float("nan"), 200.0)))


JUNK = st.sampled_from(
    [True, -1, 0, 1, 3, 10**30, -0.0, 1e-300, 1e300, float("nan"), float("inf"), "", "08:30",
     "listed", "slot", "\x1b", [], [[]], {}, {"kind": "listed"}, [{}], date(2020, 1, 1)]
)  # fmt: skip


@settings(max_examples=200, deadline=None)
@given(st.data())
def test_no_junk_in_any_place_is_more_than_a_problem(data):
    document = tomllib.loads(data.draw(st.sampled_from([GENERATED, LISTED])))
    for _ in range(data.draw(st.integers(1, 3))):
        place = document
        while True:
            keys = list(place) if isinstance(place, dict) else list(range(len(place)))
            key = data.draw(st.sampled_from(keys))
            if (
                not place[key]
                or not isinstance(place[key], dict | list)
                or data.draw(st.booleans())
            ):
                break
            place = place[key]
        place[key] = copy.deepcopy(data.draw(JUNK))
    try:
        dial = dialfile._dial(document)
    except DialError as error:
        assert error.problems
        assert all(re.match(r"[\w.-]+: ", p) and p.isprintable() for p in error.problems)
        assert len(set(error.problems)) == len(error.problems)
    else:
        assert dialfile.parse(dialfile.dump(dial), "my.toml") == dial


def test_json_schema_describes_every_field_and_refuses_others():
    schema = json.loads(json.dumps(dialfile.json_schema()))
    tables = [schema, *schema["$defs"].values()]
    assert len(tables) == 13
    for table in tables:
        assert table["additionalProperties"] is False
        for name, field in table["properties"].items():
            assert field["description"], name
    slot, bores = schema["$defs"]["SlotTable"], schema["$defs"]["BoresTable"]
    assert set(slot["required"]) == {
        "channel", "hour_angle_deg", "declination_deg", "shape", "exit_mm", "entry_mm",
        "length_mm", "opening_deg",
    }  # fmt: skip
    assert "opening_deg" not in schema["$defs"]["RoundTable"]["properties"]
    assert bores["properties"]["exit_mm"]["exclusiveMinimum"] == 0
    assert " mm" in bores["properties"]["exit_mm"]["description"]
    assert schema["oneOf"] == [{"required": ["bores"]}, {"required": ["bore"]}]


HORIZON = """
[[site.horizon]]
azimuth_deg = 85.5
altitude_deg = 4
[[site.horizon]]
azimuth_deg = 270
altitude_deg = -0.25
"""


def with_horizon(horizon=HORIZON):
    return GENERATED.replace("[face]", horizon + "\n[face]")


def test_a_skyline_belongs_to_the_site_and_comes_back_from_a_dump():
    dial = dialfile.parse(with_horizon(), "my.toml")
    assert dial.site.horizon == ((85.5, 4.0), (270.0, -0.25))
    again = dialfile.parse(dialfile.dump(dial), "my.toml")
    assert (again, again.hash) == (dial, dial.hash)


def test_a_skyline_changes_the_hash_and_none_leaves_it_as_it_ever_was():
    """Boards and stores carry the hashes of dials from before there were skylines."""
    free = dialfile.parse(GENERATED, "my.toml")
    assert free.site.horizon == ()
    assert free.hash == "7f1e27e6e516595d"
    assert dialfile.parse(with_horizon("horizon = []"), "my.toml").hash == free.hash
    assert dialfile.parse(with_horizon(), "my.toml").hash != free.hash


@pytest.mark.parametrize(
    ("old", "new", "field", "words"),
    [
        ("azimuth_deg = 85.5", "azimuth_deg = 360", "site.horizon.0.azimuth_deg", "under 360"),
        ("azimuth_deg = 85.5", "azimuth_deg = -1", "site.horizon.0.azimuth_deg", "is -1;"),
        ("altitude_deg = 4", "altitude_deg = 91", "site.horizon.0.altitude_deg", "-5 to 90"),
        ("altitude_deg = -0.25", "", "site.horizon.1.altitude_deg", "is missing"),
        ("azimuth_deg = 270", "azimuth_deg = 85.5", "site.horizon.1.azimuth_deg", "by azimuth"),
        ("azimuth_deg = 270", "azimuth_deg = 12", "site.horizon.1.azimuth_deg", "has 85.5"),
        ("azimuth_deg = 270", "azimuth = 270", "site.horizon.1.azimuth", "write azimuth_deg"),
    ],
)
def test_one_mistake_in_a_skyline(old, new, field, words):
    found = problems(with_horizon(), (old, new))
    matching = [problem for problem in found if problem.startswith(f"{field}: ")]
    assert len(matching) == 1, found
    assert words in matching[0]


def test_a_skyline_has_a_limit_of_points():
    point = "[[site.horizon]]\nazimuth_deg = 0\naltitude_deg = 0\n"
    (found,) = problems(with_horizon("\n" + point * 721))
    assert found.startswith("site.horizon: ") and "at most 720" in found
