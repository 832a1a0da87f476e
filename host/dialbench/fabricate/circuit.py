"""What is joined with what: the netlist of a board, its multiplexers and a dial's sensors.

Pins and places come from `dialcore.wiring`, the table that the firmware takes them from. Pins
of a DS3231 (SO-16), of a serial flash chip of eight pins (25-series) and of an AS5600: their
data sheets, from memory. A satellite receiver's pins are called by name.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from dialbench.dial import Dial
from dialbench.errors import UserError
from dialbench.fabricate.sizing import Sizing, written_ohm
from dialbench.fabricate.table import stamp, table
from dialbench.fabricate.workshop import Workshop
from dialcore import wiring

BOARD = "BOARD"
ROOT = "ROOT"
LADDER = "LADDER"
POWER = "3V3"
GROUND = "GND"
BATTERY = "BATTERY"

_CLOCK = (
    (1, ""), (2, POWER), (3, "TICK"), (4, ""), *((pin, GROUND) for pin in range(5, 14)),
    (14, "CELL"), (15, "SDA"), (16, "SCL"),
)  # fmt: skip
_FLASH = (
    (1, "NOR_CS"), (2, "NOR_MISO"), (3, POWER), (4, GROUND), (5, "NOR_MOSI"), (6, "NOR_SCK"),
    (7, POWER), (8, POWER),
)  # fmt: skip
_ENCODER = (
    (1, POWER), (2, POWER), (3, ""), (4, GROUND), (5, ""), (6, "SDA"), (7, "SCL"), (8, GROUND),
)  # fmt: skip


class CircuitError(UserError):
    """Why a dial cannot be wired."""


@dataclass(frozen=True)
class Part:
    """One part: what it is, its value, and the net of each of its pins, "" for one left open."""

    name: str
    kind: str
    value: str
    pins: tuple[tuple[str, str], ...]

    def net(self, pin: str) -> str:
        return dict(self.pins)[pin]


@dataclass(frozen=True)
class Circuit:
    board: str
    channels: int
    parts: tuple[Part, ...]

    def part(self, name: str) -> Part:
        return next(part for part in self.parts if part.name == name)

    def joints(self) -> list[tuple[str, str, str]]:
        """(net, part, pin) of every pin that is joined to something, in the order of the parts."""
        return [(net, part.name, pin) for part in self.parts for pin, net in part.pins if net]


def leaf(number: int) -> str:
    return f"LEAF{number}"


def circuit(dial: Dial, workshop: Workshop, sizing: Sizing) -> Circuit:
    """Everything a dial takes; CircuitError if it has more channels than a board reads."""
    channels = len(dial.channels)
    if channels > wiring.CHANNELS:
        raise CircuitError(
            f"face: {channels} channels are more than a board reads; keep to {wiring.CHANNELS}"
        )
    pico = workshop.board == "pico"
    reference, quiet = ("VREF", "AGND") if pico else (POWER, GROUND)
    found = [
        _board(pico),
        *_multiplexers(channels, quiet),
        *_ladder(sizing, reference, quiet),
        *_sensors(channels, sizing, quiet),
        Part("CLOCK", "clock chip", "DS3231", _text(_CLOCK)),
        Part("CELL", "coin cell, in a holder", "CR2032", (("+", "CELL"), ("-", GROUND))),
        Part("FLASH", "serial flash chip", "25-series, 8 MB or more", _text(_FLASH)),
        Part("ENCODER", "magnetic encoder, bench only", "AS5600", _text(_ENCODER)),
        _receiver(pico),
        _two("R_EN", "resistor", "10 kohm", POWER, "EN"),
        _two("R_CS", "resistor", "10 kohm", POWER, "NOR_CS"),
        _two("R_SDA", "resistor", "4.7 kohm", POWER, "SDA"),
        _two("R_SCL", "resistor", "4.7 kohm", POWER, "SCL"),
        *_supply(pico),
    ]
    chips = [part.name for part in found if len(part.pins) > 2 and part.name != BOARD]
    found += [_two(f"C_{name}", "capacitor", "100 nF", POWER, GROUND) for name in chips]
    return Circuit(workshop.board, channels, tuple(found))


def _text(pins: tuple[tuple[int | str, str], ...]) -> tuple[tuple[str, str], ...]:
    return tuple((str(pin), net) for pin, net in pins)


def _two(name: str, kind: str, value: str, one: str, other: str) -> Part:
    return Part(name, kind, value, (("1", one), ("2", other)))


def _board(pico: bool) -> Part:
    if pico:
        pins = {pin: signal for signal, _, pin in wiring.PICO if pin}
        pins |= {pin: net for net, pin in wiring.PICO_POWER}
        return Part(
            BOARD,
            "microcontroller board",
            "Raspberry Pi Pico or Pico 2",
            tuple((str(pin), pins.get(pin, "")) for pin in range(1, 41)),
        )
    return Part(
        BOARD,
        "microcontroller board",
        "ESP32 module",
        (
            # The lamp is on the module.
            *((str(pin), "" if signal == "LED" else signal) for signal, _, pin in wiring.ESP32),
            ("3V3", POWER),
            ("GND", GROUND),
            ("5V", "VSYS"),
        ),
    )


def _receiver(spoken_to: bool) -> Part:
    """Its pulse is joined to TICK in the clock chip's stead, where there is none."""
    pins = (
        ("VCC", POWER),
        ("GND", GROUND),
        ("RX", "GPS_TX" if spoken_to else ""),
        ("TX", "GPS_RX"),
        ("PPS", ""),
    )
    return Part("RECEIVER", "satellite receiver, optional", "3.3 V, NMEA", pins)


def _multiplexers(channels: int, quiet: str) -> Iterator[Part]:
    leaves = wiring.leaves(channels)
    for number in range(leaves):
        inputs = [
            f"CH{channel}" if channel < channels else quiet
            for channel in range(16 * number, 16 * number + 16)
        ]
        yield _multiplexer(leaf(number), "A", inputs, leaf(number))
    taps = [f"TAP{tap}" for tap in wiring.LADDER_TAPS]
    yield _multiplexer(LADDER, "A", taps, LADDER)
    inputs = [leaf(number) if number < leaves else quiet for number in range(wiring.LEAVES)]
    inputs += [LADDER, *(f"TAP{tap}" for tap in wiring.ROOT_TAPS)]
    yield _multiplexer(ROOT, "B", inputs, "LIGHT")


def _multiplexer(name: str, lines: str, inputs: list[str], common: str) -> Part:
    pins = {
        wiring.MUX_COMMON: common,
        wiring.MUX_ENABLE: "EN",
        wiring.MUX_GROUND: GROUND,
        wiring.MUX_SUPPLY: POWER,
        **{pin: f"{lines}{k}" for k, pin in enumerate(wiring.MUX_SELECT)},
        **dict(zip(wiring.MUX_INPUTS, inputs, strict=True)),
    }
    return Part(
        name, "analogue multiplexer, 16 inputs", "74HC4067", _text(tuple(sorted(pins.items())))
    )


def _ladder(sizing: Sizing, reference: str, quiet: str) -> Iterator[Part]:
    """RT1 stands on analogue ground, RT17 under the reference; tap k is above RTk."""
    last = wiring.LADDER_RESISTORS
    nets = [quiet, *(f"TAP{k}" for k in range(1, last)), reference]
    for k in range(1, last + 1):
        yield _two(f"RT{k}", "resistor, 1%", written_ohm(sizing.ladder_ohm), nets[k - 1], nets[k])


def _sensors(channels: int, sizing: Sizing, quiet: str) -> Iterator[Part]:
    """A diode that is reverse biased (its cathode at 3.3 V) over a load to analogue ground."""
    load, sky = written_ohm(sizing.load_ohm), written_ohm(sizing.sky_ohm)
    named = [(str(channel), f"CH{channel}", load) for channel in range(channels)]
    for name, net, ohm in [*named, ("_SKY", "SKY", sky), ("_SHADE", "SHADE", sky)]:
        yield Part(f"D{name}", "photodiode", "SFH 203 P class", (("K", POWER), ("A", net)))
        yield _two(f"R{name}", "resistor, 1%", ohm, net, quiet)


def _supply(pico: bool) -> Iterator[Part]:
    yield Part("D_BAT", "Schottky diode", "1 A", (("A", BATTERY), ("K", "VSYS")))
    yield Part("J_BAT", "connector, protected pack", "2 pins", (("+", BATTERY), ("-", GROUND)))
    if not pico:  # a Pico has these on it
        yield _two("R_UP", "resistor, 1%", "200 kohm", "VSYS", "SUPPLY")
        yield _two("R_DOWN", "resistor, 1%", "100 kohm", "SUPPLY", GROUND)


def netlist_csv(dial: Dial, found: Circuit) -> bytes:
    """netlist.csv: one joint a line."""
    return table(
        stamp(dial),
        "Netlist: which pin of which part is joined to which net",
        ["Pins that stand in no line are left open. Values are in parts.csv."],
        [
            ("net", "all pins of one net are joined"),
            ("part", "its name in board.svg and leaves.svg"),
            ("pin", "number or name. K is a cathode and A an anode"),
        ],
        found.joints(),
    )
