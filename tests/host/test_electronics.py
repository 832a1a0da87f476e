"""The electronics: netlist, drawings, wiring table, sizing; held against the firmware's table."""

import csv
import io
import json
import math
import re
import time
from collections import Counter, defaultdict
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from click.testing import CliRunner
from tests.pinned import lay_out, live, powered

from dialbench import dialfile
from dialbench.clock import SystemClock
from dialbench.commands.wiring import command
from dialbench.dial import Channel
from dialbench.errors import UserError
from dialbench.fabricate import circuit, schematic, sizing, wiring
from dialbench.fabricate.fabricate import electronic_files, electronics
from dialbench.fabricate.workshop import Workshop
from dialbench.link import Board
from dialbench.selftest.diagnose import faults
from dialbench.selftest.figures import measure
from dialcore import wiring as table

FOLDER = Path(__file__).parents[2] / "hardware" / "demo-dial"
DEMO = Path(dialfile.__file__).parent / "data" / "demo.toml"
BOARDS = {"pico": table.PICO, "esp32": table.ESP32}
# A 74HC4067's package of 24 (its data sheet, from memory), written down a second time.
MUX = {
    "Z": "1", "E": "15", "GND": "12", "VCC": "24", "S": ("10", "11", "14", "13"),
    "Y": ("9", "8", "7", "6", "5", "4", "3", "2", "23", "22", "21", "20", "19", "18", "17", "16"),
}  # fmt: skip


def wired(channels=33, **settings):
    """A circuit of so many channels, the sizing that of the demo dial."""
    workshop = Workshop(**settings)
    _, sized, _ = electronics(dialfile.demo(), workshop)
    dial = replace(dialfile.demo(), channels=tuple(Channel(0.0, k, k, 0) for k in range(channels)))
    return dial, circuit.circuit(dial, workshop, sized)


def rows_of(data):
    lines = [line for line in io.StringIO(data.decode(), newline="") if not line.startswith("#")]
    return list(csv.DictReader(lines))


class Meter:
    """Finds what the converter's pin is joined to, while select lines stand at some levels."""

    def __init__(self, joints, board):
        self.net = {(part, pin): net for net, part, pin in joints}
        self.at = defaultdict(list)
        for net, part, pin in joints:
            self.at[net].append((part, pin))
        self.lines = {
            row[0]: self.net[circuit.BOARD, str(row[2])]
            for row in board
            if (circuit.BOARD, str(row[2])) in self.net
        }

    def seen(self, levels):
        """The net behind LIGHT, by the levels of A0 to A3, B0 to B3 (of the board's pins)."""
        level = {self.lines[name]: levels[name] for name in levels}
        net, passed = self.lines["LIGHT"], set()
        while True:
            chips = [
                p for p, pin in self.at[net] if pin == MUX["Z"] and (p, MUX["Y"][0]) in self.net
            ]
            chips = [p for p in chips if p not in passed and p != circuit.BOARD]
            if not chips:
                return net
            [chip] = chips
            passed.add(chip)
            chosen = sum(level[self.net[chip, pin]] << k for k, pin in enumerate(MUX["S"]))
            net = self.net[chip, MUX["Y"][chosen]]


def levels(root, leaf):
    return {f"A{k}": leaf >> k & 1 for k in range(4)} | {f"B{k}": root >> k & 1 for k in range(4)}


@pytest.mark.parametrize("board", BOARDS)
@pytest.mark.parametrize("channels", [1, 16, 33, 128])
def test_the_boards_lines_reach_every_channel_where_the_firmware_looks_for_it(channels, board):
    dial, found = wired(channels, board=board)
    # From the file as it is written, and as it is read by whoever builds.
    rows = rows_of(circuit.netlist_csv(dial, found))
    meter = Meter([(row["net"], row["part"], row["pin"]) for row in rows], BOARDS[board])
    for channel in range(channels):
        at = meter.seen(levels(table.leaf_of(channel), table.input_of(channel)))
        assert at == f"CH{channel}"
        assert set(meter.at[at]) >= {(f"D{channel}", "A"), (f"R{channel}", "1")}
        assert meter.net[f"D{channel}", "K"] == circuit.POWER
    quiet = "AGND" if board == "pico" else circuit.GROUND
    for spare in range(channels, 16 * table.leaves(channels)):
        assert meter.seen(levels(table.leaf_of(spare), table.input_of(spare))) == quiet
    # The ladder, resistor by resistor up from ground, is what the firmware expects of it.
    below = {quiet: 0}
    for k in range(1, table.LADDER_RESISTORS + 1):
        assert meter.net[f"RT{k}", "1"] in below
        below[meter.net[f"RT{k}", "2"]] = below[meter.net[f"RT{k}", "1"]] + 1
    for root in range(table.LADDER_LEAF, 16):
        for leaf in range(16):
            tap = table.ladder_tap(root, leaf)
            assert 0 < tap < table.LADDER_RESISTORS
            assert below[meter.seen(levels(root, leaf))] == tap
    assert below["VREF" if board == "pico" else circuit.POWER] == table.LADDER_RESISTORS


def test_the_wiring_table_says_what_the_netlist_does():
    dial, found = wired(33)
    meter = Meter(found.joints(), table.PICO)
    rows = rows_of(wiring.wiring_csv(dial, found))
    assert [row["channel"] for row in rows] == [str(k) for k in range(33)] + [""] * 15
    for row in rows:
        lines = {f"{side}{k}": int(row[f"{side.lower()}{k}"]) for side in "AB" for k in range(4)}
        assert meter.seen(lines) == row["net"] == meter.net[row["multiplexer"], row["pin"]]
        assert MUX["Y"][int(row["input"])] == row["pin"]


@pytest.mark.parametrize("board", BOARDS)
def test_every_chip_is_fed_and_no_net_ends_nowhere(board):
    _, found = wired(128, board=board)
    ends = Counter(net for net, _, _ in found.joints())
    assert min(ends.values()) >= 2, [net for net in ends if ends[net] < 2]
    for part in found.parts:
        if part.value == "74HC4067":
            assert part.net(MUX["VCC"]) == circuit.POWER and part.net(MUX["GND"]) == circuit.GROUND
            assert part.net(MUX["E"]) == "EN"
            beside = found.part(f"C_{part.name}")
            assert {net for _, net in beside.pins} == {circuit.POWER, circuit.GROUND}
    names = [part.name for part in found.parts]
    assert len(names) == len(set(names))
    # Every signal of the firmware's table leads somewhere, but the lamp and what is on the board.
    used = {net for _, net in found.part(circuit.BOARD).pins}
    assert used >= {row[0] for row in BOARDS[board] if row[2] and row[0] != "LED"}


def test_more_channels_than_a_board_reads_are_refused():
    with pytest.raises(UserError, match="129 channels are more than a board reads"):
        wired(129)


# The drawings.

SVG = "{http://www.w3.org/2000/svg}"
SIZES = {"title": 6.0, "name": 3.2, "small": 2.2, "tiny": 1.9}


def drawn(channels, board):
    dial, found = wired(channels, board=board)
    return found, [
        ElementTree.fromstring(draw(dial, found))
        for draw in (schematic.board_svg, schematic.leaves_svg)
    ]


def boxes(sheet):
    """What each text covers, from its size and length: (text, x1, y1, x2, y2) in mm. Letters are
    taken 0.62 of their size wide on average and 0.74 high, as those of common sans serif faces."""
    found = []
    for text in sheet.iter(f"{SVG}text"):
        kinds = text.get("class", "").split()
        size = next((SIZES[kind] for kind in kinds if kind in SIZES), 2.6)
        width = 0.62 * size * len(text.text or "")
        shift = 0.5 if "middle" in kinds else 1.0 if "end" in kinds else 0.0
        x, y = float(text.get("x")) - shift * width, float(text.get("y"))
        found.append((text.text, x, y - 0.74 * size, x + width, y))
    return found


@pytest.mark.parametrize("board", BOARDS)
@pytest.mark.parametrize("channels", [1, 33, 128])
def test_every_joint_is_drawn_once_and_legibly(channels, board):
    found, sheets = drawn(channels, board)
    groups = Counter(
        (group.get("data-net"), group.get("data-part"), group.get("data-pin"))
        for sheet in sheets
        for group in sheet.iter(f"{SVG}g")
    )
    assert groups == Counter(found.joints())
    for sheet in sheets:
        assert (sheet.get("width"), sheet.get("height")) == ("420mm", "297mm")
        texts = boxes(sheet)
        places = np.array([box[1:] for box in texts])
        assert places[:, :2].min() > 7 and places[:, 2].max() < 413 and places[:, 3].max() < 290
        x1, y1, x2, y2 = places.T
        over = (np.minimum(x2[:, None], x2) - np.maximum(x1[:, None], x1) > 0.05) & (
            np.minimum(y2[:, None], y2) - np.maximum(y1[:, None], y1) > 0.05
        )
        np.fill_diagonal(over, False)
        assert not over.any(), [(texts[i][0], texts[j][0]) for i, j in np.argwhere(over)][:9]
        crossed = []
        for wire in sheet.iter(f"{SVG}polyline"):
            ends = np.array([place.split(",") for place in wire.get("points").split()], float)
            for one, other in pairwise(ends):
                low, high = np.minimum(one, other), np.maximum(one, other)
                hit = (x1 < high[0] - 0.05) & (x2 > low[0] + 0.05)
                hit |= (low[0] == high[0]) & (x1 < low[0]) & (x2 > low[0])
                tall = (y1 < high[1] - 0.05) & (y2 > low[1] + 0.05)
                tall |= (low[1] == high[1]) & (y1 < low[1]) & (y2 > low[1])
                crossed += [texts[k][0] for k in np.flatnonzero(hit & tall)]
        assert crossed == []


# The files that lie ready.


def test_the_demo_dials_files_are_what_comes_out_today():
    dial = dialfile.demo()
    _, sized, found = electronics(dial, Workshop())
    for name, data in electronic_files(dial, found, sized).items():
        assert (FOLDER / name).read_bytes() == data, name


def test_the_readme_tells_the_demo_dials_figures():
    text = (FOLDER.parent / "README.md").read_text(encoding="utf-8")
    found = sized()
    value = found.value
    for said in (
        f"| a fully lit channel | {1000 * value('lit_ma'):.1f} uA |",
        f"| a channel's load | {sizing.written_ohm(found.load_ohm)} |",
        f"| its level | {value('lit_v'):.2f} V |",
        f"| a reference's load | {sizing.written_ohm(found.sky_ohm)} |",
        f"| a dark channel | {1000 * value('dark_v'):.0f} mV at most |",
        f"| the ladder's resistors | {sizing.written_ohm(found.ladder_ohm)} |",
        f"| a scan | {value('scan_ms'):.0f} ms |",
        f"waits {value('wait_us'):.0f} us or more; a channel settles in {value('settle_us'):.0f}",
        f"may be {value('margin'):.1f}\ntimes as bright",
        f"the open sky {value('sky_margin'):.1f} times",
        f"{value('charge_mah'):.0f} mAh a day, a pack of {value('pack_mah'):.0f} mAh",
        f"a panel of {value('panel_w'):.0f} W",
    ):
        assert said in text, said
    for link in re.findall(r"\]\((demo-dial/[^)#]+)\)", text):
        assert (FOLDER.parent / link).is_file(), link


# The arithmetic.


def sized(bore=None, **settings):
    dial = dialfile.demo()
    if bore:
        dial = replace(dial, bores=tuple(replace(each, **bore) for each in dial.bores))
    return electronics(dial, Workshop(**settings))[1]


@pytest.mark.parametrize(
    ("bore", "settings"),
    [
        ({}, {}),
        ({"exit_mm": 2.0}, {}),
        ({"exit_mm": 1.5, "shape": "round"}, {"sun_klx": 120.0}),
        ({}, {"sensor_mm2": 7.45, "window_mm": 0.8, "film": 0.3, "load_most_ohm": 47_000.0}),
    ],
)
def test_every_line_of_the_arithmetic_is_right_and_has_a_source(bore, settings):
    """Worked out anew from what is printed: over the names, and over the numbers."""
    known = {"sqrt": math.sqrt, "log": math.log, "acos": math.acos, "tan": math.tan}
    known |= {"max": max, "min": min, "pi": math.pi}
    found = sized(bore, **settings)
    values = {}
    for line in found.lines:
        assert line.name not in values and line.meaning and math.isfinite(line.value)
        if line.formula:
            assert line.source == ""
            for text, slack in ((line.formula, 1e-12), (line.numbers, 1e-4)):
                again = eval(text, {"__builtins__": {}}, known | values)
                assert again == pytest.approx(line.value, rel=slack), line.name
        else:
            assert line.source
        values[line.name] = line.value
    assert found.problems == ()
    assert found.value("margin") >= 1 / 0.75 * (1 - 1e-9)
    assert found.value("sky_margin") >= 1 / 0.75 * (1 - 1e-9)
    assert found.value("wait_us") >= found.value("settle_us")
    assert found.value("scans_a_s") >= 20


def test_the_figures_by_another_way():
    """Light, load, settling and supply of the demo dial, not by the formulas that are printed."""
    found = sized()
    # Rays off the film, evenly (by Lambert's law), that meet the chip: sampled over the half sphere.
    polar = (np.arange(200_000) + 0.5) / 200_000 * math.pi / 2
    weight = np.cos(polar) * np.sin(polar)
    meets = found.value("gap_mm") * np.tan(polar) < math.sqrt(1.0 / math.pi)
    caught = weight[meets].sum() / weight.sum()
    assert found.value("caught") == pytest.approx(caught, rel=1e-4)
    # A kilowatt on a square metre is a milliwatt on a square millimetre: 0.35 mA on each.
    volts = 0.35e-3 * 0.5 * 0.5 * 0.5 * caught * found.load_ohm
    assert found.value("lit_v") == pytest.approx(volts, rel=1e-4)
    assert found.value("photo") < found.value("photo_most")
    # A channel's capacitance charged in steps through its load, from full scale to nothing.
    left, step_s = 1.0, 1e-8
    steps = round(found.value("settle_us") * 1e-6 / step_s)
    for _ in range(steps):
        left -= left * step_s / ((found.load_ohm + 200.0) * 161e-12)
    assert left == pytest.approx(1 / 512, rel=0.01)
    # The longest day, from the Sun's altitude minute by minute; then what it draws.
    hour = (np.arange(1440) - 719.5) / 720 * math.pi
    up = math.sin(math.radians(41.2)) * math.sin(math.radians(23.44)) + math.cos(
        math.radians(41.2)
    ) * math.cos(math.radians(23.44)) * np.cos(hour)
    day_h = (up > 0).mean() * 24
    assert found.value("day_h") == pytest.approx(day_h, abs=0.05)
    assert found.value("charge_mah") == pytest.approx(
        day_h * 30.65 + (24 - day_h) * 2.06 + 12, rel=0.01
    )
    assert found.value("panel_w") * 0.6 == pytest.approx(found.value("charge_mah") * 3.7e-3)


@pytest.mark.parametrize("exit_mm", [0.4, 0.7, 1.0, 1.8, 2.6])
def test_loads_are_ones_that_one_can_buy_and_no_channel_saturates(exit_mm):
    """The next of series E12 (IEC 60063, from memory) would be too much, or more than is allowed."""
    series = [1.0, 1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 3.9, 4.7, 5.6, 6.8, 8.2]
    values = [round(n * 10**k, 3) for k in range(7) for n in series]
    found = sized({"exit_mm": exit_mm})
    at = values.index(found.load_ohm)
    lit_v = found.value("lit_ma") / 1000 * np.array(values)
    assert lit_v[at] <= 0.75 * 3.3
    assert lit_v[at + 1] > 0.75 * 3.3 or values[at + 1] > found.value("load_most")
    assert found.ladder_ohm in values


@pytest.mark.parametrize(
    ("bore", "settings", "said"),
    [
        ({"exit_mm": 0.2}, {}, "scale: the dimmest channel gives"),
        ({"exit_mm": 0.3}, {"load_most_ohm": 560_000.0}, "settle: a channel of"),
    ],
)
def test_what_cannot_work_is_said(bore, settings, said):
    problems = sized(bore, **settings).problems
    assert any(each.startswith(said) for each in problems), problems


def test_the_command_gives_the_facts():
    ran = CliRunner().invoke(command, [str(DEMO), "--json"])
    assert ran.exit_code == 0
    facts = json.loads(ran.output)
    assert facts["schema"] == "dialbench.wiring/1" and facts["channels"] == 33
    number = {part["name"]: part["quantity"] for part in facts["parts"]}
    assert number["photodiode: SFH 203 P class"] == 35
    assert number["analogue multiplexer, 16 inputs: 74HC4067"] == 5
    assert facts["sizing"]["load_ohm"] == sized().load_ohm
    assert len(facts["joints"]) == len(rows_of((FOLDER / "netlist.csv").read_bytes()))
    shown = CliRunner().invoke(command, [str(DEMO)])
    assert shown.exit_code == 0 and re.search(r"LEAF0 to LEAF2, LADDER, ROOT", shown.output)


def test_written_ohm():
    told = {47.0: "47 ohm", 4700.0: "4.7 kohm", 100_000.0: "100 kohm", 2.2e6: "2.2 Mohm"}
    assert {ohm: sizing.written_ohm(ohm) for ohm in told} == told


@pytest.mark.deep
@pytest.mark.timeout(120)
def test_the_firmware_waits_as_long_as_the_sizing_says(tmp_path):
    """The unmodified firmware measures a simulated ladder of the sized resistors at its start."""
    for number, settings in enumerate(
        ({}, {"load_most_ohm": 22_000.0}, {"load_most_ohm": 330_000.0})
    ):
        found = sized(**settings)
        folder = tmp_path / str(number)
        lay_out(
            folder, ladder_ohm=found.ladder_ohm, sensor_ohm=found.load_ohm, free_ms=0, until_ms=4000
        )
        assert live(folder)["settle_us"] >= found.value("wait_us") >= found.value("settle_us")


@pytest.mark.deep
@pytest.mark.timeout(120)
def test_a_board_as_sized_passes_its_self_test_in_the_sun(tmp_path):
    """The unmodified firmware on simulated lines with the sized resistors and levels."""
    found = sized()
    lay_out(
        tmp_path, 33, utc_s=int(time.time()), free_ms=0,
        ladder_ohm=found.ladder_ohm, sensor_ohm=found.load_ohm,
        lit_v=found.value("lit_v"), sky_v=found.value("sky_v") / 1.2,
    )  # fmt: skip
    with powered(tmp_path) as port, Board.open(port, SystemClock()) as board:
        named = faults(measure(board, SystemClock().utc_us, lambda _share: None, 6.0))
    assert [one.sentence for one in named] == []
