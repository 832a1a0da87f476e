"""What a dial is built from: the files as a whole, and each but the solid by what it says."""

import csv
import hashlib
import io
import json
import math
import os
import re
import subprocess
import sys
import zipfile
from collections import Counter
from dataclasses import replace
from itertools import combinations, pairwise

import ezdxf
import numpy as np
import pytest
from tests.host.typed import typed

from dialbench import __version__, dialfile
from dialbench.dial import Body, Channel, Dial, Plan, Site, Step
from dialbench.errors import UserError
from dialbench.fabricate import (
    base,
    carrier,
    drawing,
    drill,
    folder,
    parts,
    sheet,
    sheetpages,
)
from dialbench.fabricate.fabricate import electronics, fabricate
from dialbench.fabricate.workshop import Workshop
from dialbench.fabricate.workshop import load as load_workshop
from dialbench.layout import uniform
from dialcore import frames

NORTH = Site("Gannet Holm", 41.2, -16.4, 24.0, "-01:00", 1010.0, 10.0)
SOUTH = replace(NORTH, latitude_deg=-41.2)
PLACES = ((10.0, 10.0), (-10.0, 10.0), (10.0, -10.0), (-10.0, -10.0))
FILES = {
    "assembly.md",
    "assembly.pdf",
    "base.csv",
    "base.dxf",
    "board.svg",
    "body.3mf",
    "body.png",
    "body.stl",
    "carrier.dxf",
    "drill.csv",
    "face.dxf",
    "face.pdf",
    "leaves.svg",
    "netlist.csv",
    "parts.csv",
    "sizing.csv",
    "surface.dxf",
    "surface.pdf",
    "wiring.csv",
}
VOLUME_MM3 = 120_000.0


def small(site=NORTH, name="small", places=PLACES, body=Body(40.0, 80.0, 20.0, 0.4)):  # noqa: B008
    """Four channels, a few slots each."""
    channels = tuple(Channel(y, z, k, 0) for k, (y, z) in enumerate(places))
    lit = ({0, 1, 2, 3}, {0}, {1, 2}, {0, 3})
    steps = tuple(
        Step(k, 675.0 + 15 * k, f"11:{15 * k:02}", frozenset(c for c in each if c < len(places)))
        for k, each in enumerate(lit)
    )
    plan = Plan("apparent", 15.0, steps)
    bores = uniform(site, channels, plan, body, 0.5, 1.2, 46.9)
    return Dial(name, site, channels, plan, body, bores)


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A small dial, and the folder with its files."""
    out = tmp_path_factory.mktemp("made") / "out"
    dial = small()
    return fabricate(dial, out, Workshop()), out


def rows_of(table):
    lines = [line for line in io.StringIO(table.decode(), newline="") if not line.startswith("#")]
    return list(csv.DictReader(lines))


# The files together.


def test_all_files_are_there_and_named_with_their_checksums(made):
    told, out = made
    manifest = json.loads((out / "manifest.json").read_text())
    assert {path.name for path in out.iterdir()} == FILES | {"manifest.json"}
    assert set(manifest["files"]) == FILES == set(told.files)
    for name, facts in manifest["files"].items():
        data = (out / name).read_bytes()
        assert facts == {"bytes": len(data), "sha256": hashlib.sha256(data).hexdigest()}
    assert (manifest["hash"], manifest["version"]) == (told.dial.hash, __version__)
    assert "before" not in manifest


@pytest.mark.parametrize("name", sorted(FILES | {"manifest.json"}))
def test_every_file_says_which_dial_it_is_for_and_what_made_it(made, name):
    told, out = made
    data = (out / name).read_bytes()
    if name == "body.3mf":
        with zipfile.ZipFile(io.BytesIO(data)) as package:
            data = b"".join(package.read(part) for part in package.namelist())
    assert told.dial.hash.encode() in data
    assert __version__.encode() in data


def test_the_same_dial_makes_the_same_bytes(made, tmp_path):
    told, out = made
    fabricate(told.dial, tmp_path / "again", Workshop())
    for name in FILES | {"manifest.json"}:
        assert (tmp_path / "again" / name).read_bytes() == (out / name).read_bytes(), name


def test_nothing_in_a_file_is_a_date(made):
    _, out = made
    for name in FILES:
        if name.endswith((".pdf", ".csv", ".md")):
            assert not re.search(rb"Date|20\d\d-\d\d-\d\d|D:20\d\d", (out / name).read_bytes())


def test_another_dial_takes_the_place_of_its_own_older_files(made, tmp_path):
    told, _ = made
    out = tmp_path / "out"
    fabricate(small(SOUTH), out, Workshop())
    older = (out / "drill.csv").read_bytes()
    fabricate(told.dial, out, Workshop())
    assert (out / "drill.csv").read_bytes() != older
    assert {path.name for path in out.iterdir()} == FILES | {"manifest.json"}
    assert list(tmp_path.iterdir()) == [out]


def test_an_own_file_without_successor_goes(tmp_path):
    out, made = tmp_path / "out", tmp_path / "made"
    for names in (("a", "b"), ("a",)):
        made.mkdir()
        for name in names:
            (made / name).write_text(str(names))
        folder.publish(made, out, {})
        made.rmdir()
    assert sorted(path.name for path in out.iterdir()) == ["a", "manifest.json"]


def refused(out, dial=None):
    """What fabricate says to a folder, after which it must be as it was."""
    before = sorted(out.parent.rglob("*")) if out.parent.exists() else None
    with pytest.raises(UserError) as caught:
        fabricate(dial or small(), out, Workshop())
    assert before == (sorted(out.parent.rglob("*")) if out.parent.exists() else None)
    [line] = str(caught.value).splitlines()
    return line


def test_folders_that_are_not_ours_are_refused(tmp_path):
    assert "there is no folder" in refused(tmp_path / "none" / "out")
    (tmp_path / "file").write_text("mine")
    assert "is a file" in refused(tmp_path / "file")
    (tmp_path / "link").symlink_to(tmp_path / "nowhere")
    assert "link to nowhere" in refused(tmp_path / "link")
    out = tmp_path / "out"
    out.mkdir()
    (out / "letter.txt").write_text("mine")
    assert "holds letter.txt" in refused(out)
    assert (out / "letter.txt").read_text() == "mine"


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"schema": "dialbench.manifest/1"}', '{"a": 1'])
def test_a_manifest_of_somebody_else_is_no_licence(tmp_path, text):
    out = tmp_path / "out"
    out.mkdir()
    (out / "manifest.json").write_text(text)
    assert "holds manifest.json" in refused(out)
    assert (out / "manifest.json").read_text() == text


def test_a_changed_file_is_not_overwritten(tmp_path):
    out = tmp_path / "out"
    fabricate(small(), out, Workshop())
    (out / "parts.csv").write_text("my own prices")
    assert "parts.csv was changed" in refused(out)
    assert (out / "parts.csv").read_text() == "my own prices"


def test_a_dial_that_cannot_be_made_leaves_no_folder(tmp_path):
    close = small(places=((10.0, 10.0), (5.5, 10.0)))
    assert "pitch" in refused(tmp_path / "out", close)
    assert "none" in refused(tmp_path / "out", replace(small(), bores=()))


def files_of(place, texts):
    place.mkdir()
    for name, text in texts.items():
        (place / name).write_text(text)
    return place


@pytest.mark.parametrize("moves", range(6))
def test_an_interruption_leaves_whole_files_and_the_next_run_goes_on(tmp_path, monkeypatch, moves):
    """Stopped before any of the moves into the folder; an older run's files stand there."""
    older = {"a": "older a", "b": "older b", "c": "older c"}
    newer = {"a": "newer a", "b": "newer b", "d": "newer d"}
    out = tmp_path / "out"
    folder.publish(files_of(tmp_path / "first", older), out, {})
    true_replace, left = folder.os.replace, [moves]

    def stopped(*arguments):
        if left[0] == 0:
            raise KeyboardInterrupt
        left[0] -= 1
        true_replace(*arguments)

    # The manifest, three files, the manifest again: five moves.
    monkeypatch.setattr(folder.os, "replace", stopped)
    try:
        folder.publish(files_of(tmp_path / "second", newer), out, {})
        assert moves == 5
    except KeyboardInterrupt:
        assert moves < 5
    monkeypatch.setattr(folder.os, "replace", true_replace)
    for path in out.iterdir():
        if path.name != "manifest.json":
            assert path.read_text() in (older.get(path.name), newer.get(path.name))
    json.loads((out / "manifest.json").read_text())
    folder.publish(files_of(tmp_path / "third", newer), out, {})
    texts = {path.name: path.read_text() for path in out.iterdir()}
    del texts["manifest.json"]
    assert texts == newer


def test_an_interrupted_run_cleans_up_after_itself(tmp_path, monkeypatch):
    def stopped(*arguments):
        raise KeyboardInterrupt

    monkeypatch.setattr(sheetpages, "pdf", stopped)
    with pytest.raises(KeyboardInterrupt):
        fabricate(small(), tmp_path / "out", Workshop())
    assert list(tmp_path.iterdir()) == []


def test_compensated_work_files_and_a_true_carrier(made, tmp_path):
    """What one bores by is the drawing with errors taken off; what holds the part is the part's."""
    told, plain = made
    errors = tmp_path / "errors.toml"
    errors.write_text("format = 1\n[[bore]]\nbore = 0\nhour_angle_deg = 0.5\n")
    out = tmp_path / "out"
    other = fabricate(told.dial, out, Workshop(), errors)
    assert other.body.hash != other.dial.hash == told.dial.hash
    same = {n for n in FILES if (out / n).read_bytes() == (plain / n).read_bytes()}
    assert {"carrier.dxf", "wiring.csv", "netlist.csv", "board.svg"} <= same
    assert not same & {"drill.csv", "surface.dxf", "surface.pdf", "body.3mf", "body.stl"}
    here, there = (
        next(row for row in rows_of((place / "drill.csv").read_bytes()) if row["number"] == "0")
        for place in (out, plain)
    )
    # North of the equator a later hour angle leans to -y.
    assert float(here["rotation_deg"]) - float(there["rotation_deg"]) == pytest.approx(0.5)
    for name in ("drill.csv", "surface.pdf", "surface.dxf", "body.3mf"):
        data = (out / name).read_bytes()
        assert other.body.hash.encode() in data and other.dial.hash.encode() in data


HOSTILE = (
    "=cmd|' /C calc'!A0",
    '<script>alert("x")</script>',
    'a, =1+1; "b" `c` | d',
    "\u65e5\u6642\u8a08 \u2600 %%u ^J \\U+0041 {\\fArial;x}",
    "*_[x](javascript:y)_*",
)


@pytest.mark.parametrize("name", HOSTILE)
def test_a_name_steers_nothing(tmp_path, name):
    out = tmp_path / "out"
    dial = small(replace(NORTH, name=name), name=name)
    fabricate(dial, out, Workshop())
    for path in out.iterdir():
        data = path.read_bytes()
        if path.suffix in (".csv", ".md"):
            text = data.decode()
            assert "<script" not in text and not re.search(r"(?<!\\)\]\(", text)
        if path.suffix == ".csv":
            for row in csv.reader(io.StringIO(text, newline="")):
                assert all(cell[:1] not in "=@" for cell in row if cell)
                assert len(row) == 1 or not row[0].startswith("#")
        if path.suffix == ".dxf":
            document = ezdxf.readfile(path)
            audit = document.audit()
            assert (audit.errors, audit.fixes) == ([], [])
        if path.suffix == ".pdf":
            assert data.startswith(b"%PDF-") and b"/JavaScript" not in data


# The command.


@pytest.fixture
def command(capsys, monkeypatch, tmp_path):
    (tmp_path / "dial.toml").write_text(dialfile.dump(small()))
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "120")
    return lambda *words: typed(capsys, "fabricate", "dial.toml", *words)


def test_json_has_all_facts(command, tmp_path):
    ran = command("--out", "out", "--json")
    assert (ran.returncode, ran.stderr) == (0, "")
    told = json.loads(ran.stdout)
    assert told["schema"] == "dialbench.fabricate/1"
    assert {each["name"] for each in told["files"]} == FILES
    for each in told["files"]:
        data = (tmp_path / "out" / each["name"]).read_bytes()
        assert hashlib.sha256(data).hexdigest() == each["sha256"]
    assert (told["channels"], told["slots"], told["sensors"]) == (4, 9, 6)
    block_mm3 = 20 * 80 * 80
    assert 0.8 * block_mm3 < told["volume_mm3"] < block_mm3
    assert told["mass_g"] == pytest.approx(told["volume_mm3"] / 1000 * told["density_g_cm3"], 1e-4)
    assert told["base"]["wedge_deg"] == 41.2


def test_the_terminal_says_what_was_made(command):
    ran = command("--out", "out")
    assert (ran.returncode, ran.stderr) == (0, "")
    for words in ("drill.csv", "41.200 deg", "cautions", "9 slots"):
        assert words in ran.stdout, words


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--out", "no/out"], "there is no folder"),
        (["--out", "dial.toml"], "is a file"),
        (["--out", "."], "holds dial.toml"),
        (["--out", "out", "--workshop", "none.toml"], "there is no such file"),
        (["--out", "out", "--compensate", "none.toml"], "there is no such file"),
    ],
)
def test_wrong_input_is_one_sentence(command, words, said, tmp_path):
    ran = command(*words)
    assert (ran.returncode, ran.stdout) == (2, "")
    [line] = ran.stderr.splitlines()
    assert said in line and line.startswith("dialbench: ")
    assert [path.name for path in tmp_path.iterdir()] == ["dial.toml"]


# Settings of the workshop.


def settings(tmp_path, text):
    path = tmp_path / "workshop.toml"
    path.write_text(text)
    return path


def test_a_workshop_file_changes_what_it_names(tmp_path):
    found = load_workshop(settings(tmp_path, 'sensor_mm = 3\nboard = "esp32"\n'))
    assert found == Workshop(sensor_mm=3.0, board="esp32")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("sensor_mm = 99", "sensor_mm: is 99; write the hole"),
        ("sensor_nm = 3", "sensor_nm: does not belong here; write sensor_mm"),
        ("drills_mm = [1, -2]", "drills_mm.1: is -2"),
        ('board = "teapot"', "board"),
        ("film = 0", "film: is 0; write the share"),
        ('converter_pin = "GP2"', "converter_pin: does not belong here"),
        ("sensor_mm = nan", "sensor_mm"),
        ("sensor_mm = ", "is no TOML"),
    ],
)
def test_mistakes_in_a_workshop_file_are_told(tmp_path, text, said):
    with pytest.raises(UserError, match=re.escape(said)):
        load_workshop(settings(tmp_path, text))


# The carrier.


def test_sensor_holes_stand_behind_exits_and_leave_a_web():
    dial, workshop = small(), Workshop()
    plate = carrier.carrier(dial, workshop)
    document = read(carrier.drawing(dial, plate, workshop))
    holes = circles(document, "sensor holes")
    assert [(round(x, 6), round(y, 6)) for x, y, _ in holes] == [(-y, z) for y, z in PLACES]
    for (x, y, d), (x2, y2, d2) in combinations(holes, 2):
        assert math.hypot(x - x2, y - y2) >= (d + d2) / 2 + workshop.web_mm
    for hole, opening in zip(holes, circles(document, "light openings"), strict=True):
        assert opening[:2] == hole[:2] and 0.5 < opening[2] < hole[2]
    assert all(abs(x) < plate.half_y and abs(y) < plate.half_z for x, y, _ in holes)


def test_nothing_on_the_carrier_overlaps():
    dial, workshop = small(), Workshop()
    plate = carrier.carrier(dial, workshop)
    document = read(carrier.drawing(dial, plate, workshop))
    holes = [
        circle
        for layer in ("sensor holes", "body screws", "bed screws")
        for circle in circles(document, layer)
    ]
    assert len(plate.body_screws) == 4 and len(plate.bed_screws) == 4
    for (x, y, d), (x2, y2, d2) in combinations(holes, 2):
        assert math.hypot(x - x2, y - y2) > (d + d2) / 2 + 0.5
    [slot] = document.modelspace().query('LWPOLYLINE[layer=="cable slot"]')
    corners = np.array([(x, y) for x, y, *_ in slot.get_points()])
    low, high = corners.min(axis=0), corners.max(axis=0)
    for x, y, d in holes:
        off = np.maximum(np.maximum(low - (x, y), (x, y) - high), 0)
        assert np.hypot(*off) > d / 2 + 0.5


def leaning(dial, hour_angle_deg, opening_deg=46.9):
    """A dial's bores leant to one side or the other."""
    angles = [side * hour_angle_deg for side in (-1, 1)]
    return replace(
        dial,
        bores=tuple(
            replace(bore, hour_angle_deg=angle, opening_deg=opening_deg)
            for bore in dial.bores
            for angle in angles
        ),
    )


def test_body_screws_miss_all_bores():
    """Every point of a screw is wood, by the bores' own definition; corners would not all be."""
    places = ((20.0, 28.0), (-20.0, 28.0), (20.0, -28.0), (-20.0, -28.0))
    dial = leaning(small(places=places), 40.0, 90.0)
    workshop = Workshop(sensor_mm=3.0)
    plate = carrier.carrier(dial, workshop)
    corners = carrier.carrier(replace(dial, bores=dial.bores[:1]), workshop).body_screws
    assert len(plate.body_screws) == len(corners) == 4
    assert not any(_bored(dial, spot) for spot in plate.body_screws)
    assert any(_bored(dial, spot) for spot in corners)


def _bored(dial, spot):
    """Whether a screw at (y, z), 3.2 mm wide and 8 mm deep, meets a bore."""
    rng = np.random.default_rng(5)
    turn, r = rng.uniform(0, 2 * np.pi, 2000), 1.6 * np.sqrt(rng.uniform(0, 1, 2000))
    at = np.array([rng.uniform(0, 8, 2000), spot[0] + r * np.cos(turn), spot[1] + r * np.sin(turn)])
    assert (np.hypot(at[0], at[1]) < dial.body.radius_mm).all()
    for bore in dial.bores:
        angle, channel = math.radians(bore.hour_angle_deg), dial.channels[bore.channel]
        x, y, z = at[0], at[1] - channel.y_mm, at[2] - channel.z_mm
        along = x * math.cos(angle) - y * math.sin(angle)
        across = -x * math.sin(angle) - y * math.cos(angle)
        half = bore.exit_mm / 2
        wide = half + (bore.entry_mm - bore.exit_mm) / 2 / bore.length_mm * along
        high = half + math.tan(math.radians(bore.opening_deg / 2)) * along
        if ((along > -half) & (np.abs(across) < wide) & (np.abs(z) < high)).any():
            return True
    return False


def test_light_of_every_bore_falls_on_its_sensor():
    """Straight on through the exit, an axis meets the sensor's plane within its opening."""
    dial = leaning(small(places=((0.0, 10.0), (0.0, -10.0))), 60.0)
    plate = carrier.carrier(dial, Workshop())
    assert plate.baffle < Workshop().baffle_mm
    for bore in dial.bores:
        aside = plate.baffle * math.tan(math.radians(bore.hour_angle_deg))
        edge = abs(aside) + bore.exit_mm / 2 / math.cos(math.radians(60))
        assert edge < plate.openings[bore.channel] / 2 < plate.sensor / 2


@pytest.mark.parametrize(("pitch_mm", "fits"), [(6.01, True), (5.99, False), (0.0, False)])
def test_channels_too_close_for_sensors_are_told_with_their_pitch(pitch_mm, fits):
    dial = small(places=((0.0, 10.0), (pitch_mm, 10.0), (0.0, -10.0)))
    if fits:
        carrier.carrier(dial, Workshop())
        return
    with pytest.raises(UserError, match=f"channels 0 and 1 stand {pitch_mm:.2f} mm apart.*pitch"):
        carrier.carrier(dial, Workshop())
    if pitch_mm > 1:
        most = re.search(r"sensor_mm of at most ([\d.]+)", _said(dial))
        carrier.carrier(dial, Workshop(sensor_mm=float(most[1])))


def _said(dial):
    with pytest.raises(UserError) as caught:
        carrier.carrier(dial, Workshop())
    return str(caught.value)


def read(drawn):
    document = ezdxf.read(io.StringIO(drawing.dxf(drawn, "dial 0").decode()))
    audit = document.audit()
    assert (audit.errors, audit.fixes) == ([], [])
    assert document.header["$INSUNITS"] == 4
    return document


def circles(document, layer):
    found = document.modelspace().query(f'CIRCLE[layer=="{layer}"]')
    return [(c.dxf.center.x, c.dxf.center.y, 2 * c.dxf.radius) for c in found]


# The base.

LATITUDES = (0.0, 0.3, 23.4, 41.2, 66.0, 89.9, 90.0)


def base_of(latitude_deg, body=Body(40.0, 80.0, 20.0, 0.4)):  # noqa: B008
    dial = small(replace(NORTH, latitude_deg=latitude_deg), body=body)
    plate = carrier.carrier(dial, Workshop())
    return dial, plate, base.base(dial, plate, Workshop(), VOLUME_MM3)


@pytest.fixture(params=[s * lat for lat in LATITUDES for s in (1, -1) if lat or s > 0])
def based(request):
    return base_of(request.param)


def test_the_bed_is_parallel_to_the_earths_axis(based):
    """It rises as the core's own matrix sends the body's z axis up, towards the pole over there."""
    dial, _, made = based
    latitude = math.radians(dial.site.latitude_deg)
    east, north, up = frames.polar_from_enu(latitude, math)[2]
    (p1, up1), (p2, up2) = made.bed
    long = math.hypot(p2 - p1, up2 - up1)
    assert abs(east) < 1e-12
    assert (p2 - p1) / long == pytest.approx(north * dial.site.hemisphere, abs=1e-9)
    assert (up2 - up1) / long == pytest.approx(up, abs=1e-9)
    assert made.wedge_deg == abs(dial.site.latitude_deg)
    # The body lies on the upper side, its x axis square to the bed.
    x = frames.polar_from_enu(latitude, math)[0]
    out = np.array([x[1] * dial.site.hemisphere, x[2]])
    body = np.array(made.body)
    assert ((body - made.bed[0]) @ out > 0).all()


def test_the_cheek_is_one_piece_that_can_be_cut(based):
    _, _, made = based
    corners = np.array(made.cheek)
    assert corners[:, 1].min() == 0.0 and (corners[:, 1] == 0).sum() == 2
    edges = list(pairwise([*made.cheek, made.cheek[0]]))
    for (k, one), (j, other) in combinations(enumerate(edges), 2):
        if j - k in (1, len(edges) - 1):
            continue
        assert not _cross(one, other), (one, other)
    assert min(math.dist(*edge) for edge in edges) > 2


def _cross(one, other):
    def side(a, b, c):
        return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])

    (a, b), (c, d) = one, other
    return side(a, b, c) * side(a, b, d) < 0 and side(c, d, a) * side(c, d, b) < 0


def test_it_stands_on_its_feet_and_does_not_tip(based):
    """Tipped over any edge by less than is told, the middle of mass still falls inside."""
    _, _, made = based
    feet = np.array(made.feet)
    middle = np.array([made.mass[0], 0.0])
    height = made.mass[1] + made.thick
    reaches = []
    for k in range(3):
        a, b, c = np.roll(feet, -k, axis=0)
        inwards = np.array([a[1] - b[1], b[0] - a[0]])
        inwards = inwards / np.hypot(*inwards) * np.sign((c - a) @ [a[1] - b[1], b[0] - a[0]])
        reaches.append((middle - a) @ inwards)
    assert min(reaches) > 0
    assert math.degrees(math.atan(min(reaches) / height)) == pytest.approx(made.steady_deg)
    assert made.steady_deg >= base.STEADY_DEG
    # Feet and holes lie on the plate, and clear of the cheeks.
    half = made.thick / 2 + made.foot / 2
    low, high = made.cheek[0][0], made.cheek[-1][0]
    for p, y in made.feet:
        assert made.plate_p[0] + 8 < p < made.plate_p[1] - 8 and abs(y) < made.plate_y - 8
        assert not (low - 4 < p < high + 4 and abs(abs(y) - made.cheek_y) < half)
    for p, y in made.fixings:
        assert made.plate_p[0] < p < made.plate_p[1] and abs(y) < made.plate_y
        assert abs(abs(y) - made.cheek_y) > made.thick / 2 + 3


def test_a_tall_body_gets_a_larger_plate():
    low, tall = (base_of(89.0, Body(40.0, long_mm, 20.0, 0.4)) for long_mm in (80.0, 400.0))
    grown = [made.plate_p[1] - made.cheek[-1][0] for _, _, made in (low, tall)]
    assert grown[1] > grown[0] + 5
    assert base.STEADY_DEG <= tall[2].steady_deg < base.STEADY_DEG + 3


def test_feet_move_the_axis_as_told():
    """Three points of a plane, one of them lifted by a turn."""
    _, _, made = base_of(41.2)
    pitch_mm = Workshop().foot_pitch_mm
    for lifted, due in ((2, made.altitude_deg_per_turn), (0, made.level_deg_per_turn)):
        lift = np.array([pitch_mm * (k == lifted) for k in range(3)])
        plane = np.linalg.solve(np.column_stack((np.array(made.feet), np.ones(3))), lift)
        slope = plane[0] if lifted == 2 else plane[1]
        assert math.degrees(math.atan(abs(slope))) == pytest.approx(due)


def test_the_ledge_shades_no_entry():
    """Rays from all over every entry to the whole sky in which the Sun stands pass over it."""
    for body in (Body(40.0, 80.0, 20.0, 0.4), Body(40.0, 80.0)):
        dial, _, made = base_of(41.2, body)
        for bore in dial.bores:
            channel = dial.channels[bore.channel]
            angle = math.radians(bore.hour_angle_deg)
            x = min(bore.length_mm * math.cos(angle), body.front_mm)
            # The ledge begins at z = -length/2; a ray from x up there only gains in x.
            assert x - bore.entry_mm > made.ledge
            assert abs(channel.z_mm) < dial.body.length_mm / 2
        assert not any("ledge" in remark for remark in made.remarks)
    shallow = small(body=Body(40.0, 80.0, 2.0, 0.4))
    made = base.base(shallow, carrier.carrier(shallow, Workshop()), Workshop(), VOLUME_MM3)
    assert any("ledge" in remark for remark in made.remarks)


@pytest.mark.parametrize("depth_mm", [None, 5.0, 20.0, 39.0])
def test_the_middle_of_mass_of_a_body(depth_mm):
    body = Body(40.0, 80.0, depth_mm)
    points = np.random.default_rng(2).uniform((0, -40), (body.front_mm, 40), (400_000, 2))
    wood = points[np.hypot(*points.T) < 40]
    assert base.centre_mm(body) == pytest.approx(wood[:, 0].mean(), abs=0.05)


def test_base_drawing_and_table_say_the_same(based):
    dial, _, made = based
    table = {row["name"]: float(row["value"]) for row in rows_of(base.base_csv(dial, made))}
    document = read(base.drawing(dial, made))
    [cheek] = document.modelspace().query('LWPOLYLINE[layer=="cheek"]')
    told = [
        (table[f"cheek corner {k} p"], table[f"cheek corner {k} up"])
        for k in range(1, len(made.cheek) + 1)
    ]
    drawn = [(x, y) for x, y, *_ in cheek.get_points()]
    assert np.abs(np.array(told) - np.array(drawn)).max() < 0.001
    feet = np.array([(x, y) for x, y, _ in circles(document, "feet")])
    told = np.array([(table[f"foot {k} p"], table[f"foot {k} y"]) for k in (1, 2, 3)])
    assert np.abs((feet - feet[0]) - (told - told[0])).max() < 0.002


# Part list and sheet.


def test_parts_follow_from_the_dial():
    for channels in (4, 33):
        places = [(12.0 * (k % 6) - 30, 12.0 * (k // 6) - 30) for k in range(channels)]
        dial = small(places=places, body=Body(60.0, 120.0, 20.0, 0.4))
        workshop = Workshop()
        plate = carrier.carrier(dial, workshop)
        made = base.base(dial, plate, workshop, VOLUME_MM3)
        rows = drill.rows(dial, workshop)
        _, _, wired = electronics(dial, workshop)
        listed = parts.parts(dial, rows, plate, made, workshop, VOLUME_MM3, wired)
        table = rows_of(parts.parts_csv(dial, listed))
        number = {row["part"]: float(row["quantity"]) for row in table}
        assert number["photodiode: SFH 203 P class"] == channels + 2
        chips = {4: 3, 33: 5}[channels]  # leaves of 16, the ladder, the root
        assert number["analogue multiplexer, 16 inputs: 74HC4067"] == chips
        assert number["capacitor: 100 nF"] == chips + 4  # and clock, flash, encoder, receiver
        assert number["levelling foot with lock nut"] == 3
        assert number["screw into the body"] == len(plate.body_screws)
        assert number["opaque block or printing material"] == math.ceil(VOLUME_MM3 / 1000)


@pytest.mark.parametrize(("entry_mm", "name"), [(2.13, "drill"), (2.5, "drill and reamer")])
def test_drills_that_are_needed_are_in_the_part_list(entry_mm, name):
    dial = small()
    hole = {"shape": "round", "exit_mm": 2.13, "entry_mm": entry_mm, "opening_deg": 0.0}
    dial = replace(dial, bores=tuple(replace(bore, **hole) for bore in dial.bores))
    workshop = Workshop()
    rows = drill.rows(dial, workshop)
    plate = carrier.carrier(dial, workshop)
    made = base.base(dial, plate, workshop, VOLUME_MM3)
    _, _, wired = electronics(dial, workshop)
    found = parts.parts(dial, rows, plate, made, workshop, VOLUME_MM3, wired)
    [tool] = [part for part in found if part.name.startswith("drill")]
    assert tool.name == f"{name} 2.1 mm"
    assert f"for {len(dial.bores)} bores" in tool.detail


def test_the_sheet_begins_with_cautions_and_has_the_dials_figures(made):
    told, out = made
    text = (out / "assembly.md").read_text()
    cautions, figures = text.index("## Cautions"), text.index("## This dial")
    assert 0 < cautions < figures
    for words in ("Never look at the Sun", "Sharp tools", "burn", "resin", "Mains", "Ladders"):
        assert cautions < text.index(words) < figures, words
    assert "Local codes" in text and "licensed" in text
    for words in (f"{told.volume_mm3 / 1000:.0f} cm3", "41.200 deg", "100.0 mm", "true north"):
        assert words in text, words
    kinds = Counter(row.kind for row in told.rows)
    assert f"{kinds['slot']} slots, {kinds['pocket']} pockets" in text


def test_a_southern_sheet_points_south():
    dial = small(SOUTH)
    plate = carrier.carrier(dial, Workshop())
    made = base.base(dial, plate, Workshop(), VOLUME_MM3)
    rows = drill.rows(dial, Workshop())
    text = sheet.markdown(
        dial, sheet.sections(dial, dial, rows, plate, made, Workshop(), VOLUME_MM3)
    ).decode()
    assert "true south" in text and "true north" not in text


def test_a_drawings_bytes_do_not_hang_on_the_run():
    """Python mixes its sets anew in every run, unless it is told how."""
    code = """
import hashlib
from dialbench.fabricate.drawing import Drawing, dxf
print(hashlib.sha256(dxf(Drawing("x"), "y")).hexdigest())
"""
    found = {
        subprocess.run(
            [sys.executable, "-c", code],
            env={**os.environ, "PYTHONHASHSEED": str(seed)},
            capture_output=True,
            text=True,
            check=True,
        ).stdout
        for seed in range(1, 7)
    }
    assert len(found) == 1
