"""What the electronics must be: resistors, settling, supply, and the arithmetic that says so.

Every figure is a line: where it comes from, or a formula over lines before it. The beam is
taken at the middle of a bore that the Sun looks straight into, the film behind it as a small
source that shines evenly to all sides, the sensor's chip as a disc of its area. The cosine of
light that falls aslant, and the film's unevenness, only make a channel darker than that.

SFH 203 P: a photodiode of 5 mm with a flat window, Osram data sheet of 2005 (current, area,
half angle, dark current); its capacitance is that of the same chip in the SFH 203, data sheet
of 2015. 74HC4067: Nexperia data sheet, from memory. RP2040: data sheet, from memory.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from dialbench.dial import Bore, Dial
from dialbench.fabricate.carrier import Carrier
from dialbench.fabricate.table import stamp, table
from dialbench.fabricate.workshop import Workshop
from dialcore import wiring

_E12 = (10, 12, 15, 18, 22, 27, 33, 39, 47, 56, 68, 82)
_LADDERS_OHM = tuple(float(n * 100 * k) for k in (1, 10) for n in _E12)  # 1 to 82 kohm
_MOST_WAIT_US = (
    392.0  # that the firmware finds: four times its longest trial and what passes besides
)
_MOST_SCALE = 8191 / 1024
_LEAST_MARGIN = 1.25
_OBLIQUITY_DEG = 23.44

_PRACTICE = "common practice, no source"
_MEMORY = "from memory"
_SETTING = "the workshop file, or its default"
_SENSOR = "SFH 203 P data sheet of 2005"
_MUX = "74HC4067 data sheet, from memory"
_RP2040 = "RP2040 data sheet, from memory"
_FIRMWARE = "the firmware (multiplexed.py)"


@dataclass(frozen=True)
class Line:
    """One figure. formula is empty for one that is given; numbers is the formula with the figures
    in place of names. Both read as arithmetic, with sqrt, log (natural), acos, tan, max, min."""

    name: str
    meaning: str
    formula: str
    numbers: str
    value: float
    unit: str
    source: str


@dataclass(frozen=True)
class Sizing:
    """load_ohm: of a channel; sky_ohm: of either reference; ladder_ohm: each of 17."""

    lines: tuple[Line, ...]
    load_ohm: float
    sky_ohm: float
    ladder_ohm: float
    problems: tuple[str, ...]

    def value(self, name: str) -> float:
        return next(line.value for line in self.lines if line.name == name)

    def as_dict(self) -> dict[str, Any]:
        """Everything a program may want; JSON-ready."""
        return {
            "load_ohm": self.load_ohm,
            "sky_ohm": self.sky_ohm,
            "ladder_ohm": self.ladder_ohm,
            "lines": [vars(line) for line in self.lines],
            "problems": list(self.problems),
        }


class _Sheet:
    """Lines as they are added; formulas see the values before them."""

    def __init__(self) -> None:
        self.lines: list[Line] = []
        self.values: dict[str, float] = {}

    def given(self, name: str, value: float, unit: str, meaning: str, source: str) -> float:
        return self._add(Line(name, meaning, "", "", value, unit, source))

    def found(self, name: str, value: float, unit: str, meaning: str, formula: str) -> float:
        return self._add(Line(name, meaning, formula, _put(formula, self.values), value, unit, ""))

    def _add(self, line: Line) -> float:
        self.lines.append(line)
        self.values[line.name] = line.value
        return line.value


def _put(formula: str, values: Mapping[str, float]) -> str:
    return re.sub(
        r"[a-z]\w*",
        lambda word: f"{values[word[0]]:.6g}" if word[0] in values else word[0],
        formula,
    )


def size(dial: Dial, plate: Carrier, workshop: Workshop) -> Sizing:
    """The arithmetic for a dial with at least one bore."""
    sheet = _Sheet()
    problems: list[str] = []
    lit_ma, least_ma, sky_ma = _light(sheet, dial, plate, workshop)
    load_ohm, sky_ohm = _levels(sheet, lit_ma, least_ma, sky_ma, workshop, problems)
    ladder_ohm = _settling(sheet, load_ohm, len(dial.channels), problems)
    _supply(sheet, dial)
    return Sizing(tuple(sheet.lines), load_ohm, sky_ohm, ladder_ohm, tuple(problems))


def exit_mm2(bore: Bore) -> float:
    """The area of a bore's exit: a slot's is as high as it is wide."""
    return bore.exit_mm**2 * (math.pi / 4 if bore.shape == "round" else 1.0)


def _light(
    sheet: _Sheet, dial: Dial, plate: Carrier, workshop: Workshop
) -> tuple[float, float, float]:
    """Currents in mA: the brightest channel fully lit, the dimmest, a reference."""
    given, found = sheet.given, sheet.found
    widest: dict[int, float] = {}
    for bore in dial.bores:
        widest[bore.channel] = max(widest.get(bore.channel, 0.0), exit_mm2(bore))
    klx = given("sun_klx", workshop.sun_klx, "klx", "direct sun, square to it", _SETTING)
    efficacy = given(
        "efficacy", 100.0, "lm/W", "of direct sunlight when the Sun is high",
        "Littlefair 1985, The luminous efficacy of daylight: a review (70 to 105 lm/W)",
    )  # fmt: skip
    beam = found("beam", klx * 1000 / efficacy, "W/m2", "direct beam", "sun_klx * 1000 / efficacy")
    response = given(
        "response", 0.35, "A/W", "of a silicon chip, over the whole of the Sun's spectrum",
        "from memory: a plain cell gives some 35 mA from each cm2 at 1000 W/m2",
    )  # fmt: skip
    photo = found(
        "photo", beam * response / 1000, "mA/mm2", "current of a chip in the bare beam",
        "beam * response / 1000",
    )  # fmt: skip
    lamp = given("by_lamp", 9.5, "nA/lx", "the sensor's, of 1 mm2, under a lamp of 2856 K", _SENSOR)
    found(
        "photo_most", lamp * klx / 1000, "mA/mm2",
        "the same by lux: more than the Sun gives, for a lamp's lux hold more infrared",
        "by_lamp * sun_klx / 1000",
    )  # fmt: skip
    area = given("exit_mm2", max(widest.values()), "mm2", "the largest exit", "dial.toml")
    least = given("exit_least_mm2", min(widest.values()), "mm2", "the smallest exit", "dial.toml")
    film = given(
        "film", workshop.film, "", "share that the film behind an exit lets through", _SETTING
    )
    chip = given("chip_mm2", workshop.sensor_mm2, "mm2", "the sensor's chip", _SETTING)
    gap = given(
        "gap_mm", plate.baffle + workshop.window_mm, "mm",
        "from the film to the chip: the baffle, and the window as light sees it",
        "carrier.dxf and the workshop file",
    )  # fmt: skip
    caught = found(
        "caught", chip / math.pi / (chip / math.pi + gap**2), "",
        "share of the film's light that meets the chip: sin2 of the half angle it stands in",
        "chip_mm2 / pi / (chip_mm2 / pi + gap_mm ** 2)",
    )  # fmt: skip
    lit = found(
        "lit_ma", photo * area * film * caught, "mA", "brightest channel, fully lit",
        "photo * exit_mm2 * film * caught",
    )  # fmt: skip
    dim = found(
        "lit_least_ma", photo * least * film * caught, "mA", "dimmest channel, fully lit",
        "photo * exit_least_mm2 * film * caught",
    )  # fmt: skip
    dome = given("dome", workshop.dome, "", "share that a reference's dome lets through", _SETTING)
    sky = given("skylight", 0.2, "", "of the sky beside the Sun, as a share of the beam", _PRACTICE)
    sky_ma = found(
        "sky_ma", photo * chip * dome * (1 + sky), "mA", "open-sky sensor at noon",
        "photo * chip_mm2 * dome * (1 + skylight)",
    )  # fmt: skip
    return lit, dim, sky_ma


def _levels(
    sheet: _Sheet,
    lit_ma: float,
    least_ma: float,
    sky_ma: float,
    workshop: Workshop,
    problems: list[str],
) -> tuple[float, float]:
    """Loads in ohm: a channel's and a reference's."""
    given, found = sheet.given, sheet.found
    full = given(
        "full_v", wiring.REFERENCE_MV / 1000, "V", "full scale of the converter", "dialcore.wiring"
    )
    aim = given("aim", 0.75, "", "share of full scale that full sun may reach", _PRACTICE)
    ideal = found(
        "load_ideal", full * aim / lit_ma * 1000, "ohm", "load that would bring a channel there",
        "full_v * aim / lit_ma * 1000",
    )  # fmt: skip
    most = given(
        "load_most", workshop.load_most_ohm, "ohm", "largest load: leakage and settling grow with it",
        _SETTING,
    )  # fmt: skip
    load = given(
        "load_ohm", _standard(min(ideal, most)), "ohm", "a channel's load",
        "the next value of series E12 (IEC 60063) at or below the lesser of these",
    )  # fmt: skip
    lit_v = found(
        "lit_v",
        lit_ma * load / 1000,
        "V",
        "brightest channel, fully lit",
        "lit_ma * load_ohm / 1000",
    )
    least_v = found(
        "lit_least_v", least_ma * load / 1000, "V", "dimmest channel, fully lit",
        "lit_least_ma * load_ohm / 1000",
    )  # fmt: skip
    margin = found(
        "margin", full / lit_v, "", "how many times such a sun a channel takes before it saturates",
        "full_v / lit_v",
    )  # fmt: skip
    sky_load = given(
        "sky_ohm", _standard(full * aim / sky_ma * 1000), "ohm", "either reference's load",
        "as load_ohm, for full_v * aim / sky_ma * 1000",
    )  # fmt: skip
    sky_v = found(
        "sky_v", sky_ma * sky_load / 1000, "V", "open-sky sensor at noon", "sky_ma * sky_ohm / 1000"
    )
    sky_margin = found("sky_margin", full / sky_v, "", "as margin", "full_v / sky_v")
    scale = found(
        "scale", sky_v / (1 + sheet.values["skylight"]) / least_v, "",
        "about what scale / 1024 in config.json will be, for the dimmest channel",
        "sky_v / (1 + skylight) / lit_least_v",
    )  # fmt: skip
    bits = given("bits", 8.7, "", "effective bits of 12 that the converter has", _RP2040)
    noise = found(
        "noise_steps", 2 ** (12 - bits) / math.sqrt(12), "", "its noise, rms, in steps of 12 bits",
        "2 ** (12 - bits) / sqrt(12)",
    )  # fmt: skip
    reads = given("reads", 8.0, "", "conversions that make a reading", _FIRMWARE)
    found(
        "noise", noise / math.sqrt(reads) / (4096 * least_v / full), "",
        "noise of the dimmest channel's lit fraction",
        "noise_steps / sqrt(reads) / (4096 * lit_least_v / full_v)",
    )  # fmt: skip
    leak = given(
        "leak_ua", 0.8, "uA", "most leakage of a multiplexer's switches, at 25 C and 10 V", _MUX
    )
    dark = given("dark_ua", 0.01, "uA", "most dark current of a sensor, at 20 V", _SENSOR)
    found(
        "dark_v", (leak + dark) * load / 1e6, "V",
        "most that a dark channel shows: a limit, rarely met; `dark` in config.json takes it off",
        "(leak_ua + dark_ua) * load_ohm / 1e6",
    )  # fmt: skip
    for name, value in (("channel", margin), ("reference", sky_margin)):
        if value < _LEAST_MARGIN:
            problems.append(
                f"margin: a {name} saturates at {value:.2f} times this sun; smaller exits or a "
                "denser diffuser would mend it"
            )
    if scale > _MOST_SCALE:
        problems.append(
            f"scale: the dimmest channel gives {least_v * 1000:.1f} mV fully lit, a share of 1 in "
            f"{scale:.1f} of the open-sky sensor, and the firmware makes up for {_MOST_SCALE:.0f}; write a "
            "thinner film, a larger sensor_mm2 or a larger load_most_ohm in the workshop file, or wider exits"
        )
    return load, sky_load


def _standard(ohm: float) -> float:
    """The E12 value at or below; 1 ohm at least."""
    decade = 10.0 ** math.floor(math.log10(max(ohm, 1.0)))
    return max((n * decade / 10 for n in _E12 if n * decade / 10 <= ohm * (1 + 1e-9)), default=1.0)


def _settling(sheet: _Sheet, load: float, channels: int, problems: list[str]) -> float:
    """The ladder's resistor in ohm, so that the firmware waits long enough for the sensors."""
    given, found = sheet.given, sheet.found
    tree = given("tree_pf", 100.0, "pF", "commons of leaf and root, and the converter", _MUX)
    node = given(
        "node_pf", 61.0, "pF", "sensor (11, SFH 203 data sheet of 2015) and half a metre of lead (50)",
        _PRACTICE,
    )  # fmt: skip
    on = given("on_ohm", 100.0, "ohm", "a switch of a multiplexer at 3.3 V", _MUX)
    needed = found(
        "settle_us", math.log(512) * (load + 2 * on) * (tree + node) / 1e6, "us",
        "until a channel stands to 1/512",
        "log(512) * (load_ohm + 2 * on_ohm) * (tree_pf + node_pf) / 1e6",
    )  # fmt: skip

    def waited(ladder: float) -> float:
        middle = ladder * 8 * 9 / 17
        return max(40.0, 4 * math.log(512 * 8 / 17) * (middle + 2 * on) * tree / 1e6)

    slow_enough = [ohm for ohm in _LADDERS_OHM if waited(ohm) <= _MOST_WAIT_US]
    ladder = next((ohm for ohm in slow_enough if waited(ohm) >= needed), slow_enough[-1])
    given(
        "ladder_ohm", ladder, "ohm", f"each of {wiring.LADDER_RESISTORS} of the ladder",
        "the least of series E12 from 1 kohm on with wait_us over settle_us",
    )  # fmt: skip
    found(
        "middle_ohm",
        ladder * 8 * 9 / 17,
        "ohm",
        "what its middle tap is seen through",
        "ladder_ohm * 8 * 9 / 17",
    )
    wait = found(
        "wait_us", waited(ladder), "us", "the least that the firmware waits, four times what it measures from tap 1 to 9",
        "max(40, 4 * log(512 * 8 / 17) * (middle_ohm + 2 * on_ohm) * tree_pf / 1e6)",
    )  # fmt: skip
    count = given("channels", float(channels), "", "channels", "dial.toml")
    conversion = given("conversion_us", 2.0, "us", "a conversion", _RP2040)
    code = given(
        "code_us", 140.0, "us", "the interpreter's own time for a channel and a scan",
        "an assumption: some 110 bytecodes of 150 cycles at 125 MHz; no source",
    )  # fmt: skip
    scan = found(
        "scan_ms", count * (wait + 9 * conversion + code) / 1000, "ms", "a scan",
        "channels * (wait_us + 9 * conversion_us + code_us) / 1000",
    )  # fmt: skip
    rate = found("scans_a_s", 1000 / scan, "1/s", "scans a second at most", "1000 / scan_ms")
    if wait < needed:
        problems.append(
            f"settle: a channel of {load:g} ohm takes {needed:.0f} us and the firmware may wait only "
            f"{wait:.0f}; write a smaller load_most_ohm in the workshop file"
        )
    if rate < 20:
        problems.append(f"scan: only {rate:.0f} scans a second; write a smaller load_most_ohm")
    return ladder


def _supply(sheet: _Sheet, dial: Dial) -> None:
    given, found = sheet.given, sheet.found
    latitude = given(
        "latitude_deg",
        min(abs(dial.site.latitude_deg), 66.0),
        "deg",
        "the site's, 66 at most",
        "dial.toml",
    )
    tilt = given("tilt_deg", _OBLIQUITY_DEG, "deg", "of the Earth's axis", _MEMORY)
    day = found(
        "day_h", 24 / math.pi * math.acos(-math.tan(math.radians(latitude)) * math.tan(math.radians(tilt))),
        "h", "the longest day",
        "24 / pi * acos(-tan(latitude_deg * pi / 180) * tan(tilt_deg * pi / 180))",
    )  # fmt: skip
    awake = given(
        "day_ma", 30.0, "mA", "of a Pico that scans", "Pico data sheet, from memory, rounded up"
    )
    asleep = given(
        "nap_ma", 2.0, "mA", "of a Pico in light sleep, without USB",
        "Pico data sheet, from memory: 1.3 mA, rounded up",
    )  # fmt: skip
    nap = given(
        "nap_s", 4.0, "s", "how long it sleeps at a time at night", "the firmware (board_pico.py)"
    )
    night = found(
        "night_ma", (asleep * nap * 1000 + awake * sheet.values["scan_ms"]) / (nap * 1000 + sheet.values["scan_ms"]),
        "mA", "at night, a scan between naps",
        "(nap_ma * nap_s * 1000 + day_ma * scan_ms) / (nap_s * 1000 + scan_ms)",
    )  # fmt: skip
    beside = given(
        "beside_ma", 0.5, "mA", "clock chip, flash chip, ladder, multiplexers",
        "data sheets, from memory, rounded up",
    )  # fmt: skip
    sensors = found(
        "sensors_ma",
        sheet.values["channels"] * sheet.values["lit_ma"] + 2 * sheet.values["sky_ma"],
        "mA", "all sensors in full sun at once", "channels * lit_ma + 2 * sky_ma",
    )  # fmt: skip
    charge = found(
        "charge_mah", day * (awake + sensors) + (24 - day) * night + 24 * beside, "mAh",
        "in 24 hours of the longest day",
        "day_h * (day_ma + sensors_ma) + (24 - day_h) * night_ma + 24 * beside_ma",
    )  # fmt: skip
    days = given("dark_days", 4.0, "d", "without sun that the pack must bear", _PRACTICE)
    usable = given("usable", 0.6, "", "of a pack's charge, when it is cold and has aged", _PRACTICE)
    found("pack_mah", charge * days / usable, "mAh", "the pack", "charge_mah * dark_days / usable")
    volts = given(
        "pack_v", 3.7, "V", "of a protected lithium cell; 3.2 for iron phosphate", _PRACTICE
    )
    hours = given(
        "sun_h", 1.0, "h", "of full sun a day in the worst month: look up your site's", _PRACTICE
    )
    share = given("kept", 0.6, "", "of a panel's rating that reaches the pack", _PRACTICE)
    found(
        "panel_w", charge * volts / 1000 / hours / share, "W", "the panel, with a charger for the cell",
        "charge_mah * pack_v / 1000 / sun_h / kept",
    )  # fmt: skip
    receiver = given(
        "receiver_ma", 30.0, "mA", "of a satellite receiver, if it stays on", _PRACTICE
    )
    found(
        "charge_receiver_mah", charge + 24 * receiver, "mAh", "in 24 hours with one: pack and panel grow alike",
        "charge_mah + 24 * receiver_ma",
    )  # fmt: skip


def written_ohm(ohm: float) -> str:
    """4700.0 as 4.7 kohm."""
    for factor, unit in ((1e6, "Mohm"), (1e3, "kohm")):
        if ohm >= factor:
            return f"{ohm / factor:g} {unit}"
    return f"{ohm:g} ohm"


def sizing_csv(dial: Dial, sizing: Sizing) -> bytes:
    """sizing.csv: the arithmetic, one figure a line."""
    return table(
        stamp(dial),
        "Sizing: how resistors and settling and supply follow from the light",
        [
            "log is the natural logarithm. What is from memory has not been looked up.",
            *sizing.problems,
        ],
        [
            ("name", "of the figure"),
            ("value", "what it comes to"),
            ("unit", "of the value"),
            ("meaning", "what it is"),
            ("formula", "over names before it. Empty for a figure that is given"),
            ("numbers", "the formula with figures in it"),
            ("source", "of a figure that is given"),
        ],
        [
            [
                line.name,
                f"{line.value:.6g}",
                line.unit,
                line.meaning,
                line.formula,
                line.numbers,
                line.source,
            ]
            for line in sizing.lines
        ],
    )
