"""The circuit as two drawings on A3: the board and its chips, and the leaves with their sensors.

Every pin of the netlist is drawn once, as a group that names its part, pin and net. Wires are
short; what belongs together carries one net's name in a flag. Lengths in mm, y downwards.
"""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from dialbench.dial import Dial
from dialbench.fabricate import circuit as nets
from dialbench.fabricate.circuit import Circuit, Part
from dialbench.fabricate.table import stamp
from dialcore import wiring

_WIDTH, _HEIGHT = 420, 297
_ROW = 5.0
_WIDE_ROW = 6.6  # of a channel with its sensor
_STUB = 7.0
_STYLE = """
text { font: 2.6px system-ui, sans-serif; fill: #1d2733 }
.name { font-weight: 700; font-size: 3.2px }
.title { font-weight: 700; font-size: 6px }
.small { font-size: 2.2px; fill: #55606d }
.tiny { font-size: 1.9px; fill: #55606d }
.end { text-anchor: end }
.middle { text-anchor: middle }
.wire { stroke: #1d2733; stroke-width: 0.25; fill: none }
.body { stroke: #1d2733; stroke-width: 0.4; fill: #fbf7ec }
.part { stroke: #1d2733; stroke-width: 0.3; fill: #fff }
.solid { fill: #1d2733 }
.flag { fill: #e6eef5; stroke: #6d8aa5; stroke-width: 0.2 }
.power { fill: #f9e0d9; stroke: #b56a55; stroke-width: 0.2 }
.ground { fill: #e3e6e3; stroke: #7b837b; stroke-width: 0.2 }
.frame { fill: none; stroke: #1d2733; stroke-width: 0.5 }
"""
_POWERS = {nets.POWER, "VREF", "VSYS", nets.BATTERY, "CELL"}
_GROUNDS = {nets.GROUND, "AGND"}

# A DS3231's pins and the others', by what their data sheets call them.
_CALLED = {
    "CLOCK": {
        "1": "32K", "2": "VCC", "3": "SQW", "4": "RST", "13": "GND", "14": "VBAT", "15": "SDA",
        "16": "SCL", **{str(pin): "NC" for pin in range(5, 13)},
    },
    "FLASH": {
        "1": "CS", "2": "DO", "3": "WP", "4": "GND", "5": "DI", "6": "CLK", "7": "HOLD", "8": "VCC",
    },
    "ENCODER": {
        "1": "VDD5V", "2": "VDD3V3", "3": "OUT", "4": "GND", "5": "PGO", "6": "SDA", "7": "SCL",
        "8": "DIR",
    },
    "RECEIVER": {name: name for name in ("VCC", "GND", "RX", "TX", "PPS")},
}  # fmt: skip


class _Sheet:
    """Pieces of one drawing."""

    def __init__(self) -> None:
        self.pieces: list[str] = []

    def text(self, x: float, y: float, words: str, kind: str = "") -> None:
        self.pieces.append(f'<text class="{kind}" x="{x:.2f}" y="{y:.2f}">{escape(words)}</text>')

    def line(self, *places: tuple[float, float]) -> None:
        told = " ".join(f"{x:.2f},{y:.2f}" for x, y in places)
        self.pieces.append(f'<polyline class="wire" points="{told}"/>')

    def shape(self, kind: str, *places: tuple[float, float]) -> None:
        told = " ".join(f"{x:.2f},{y:.2f}" for x, y in places)
        self.pieces.append(f'<polygon class="{kind}" points="{told}"/>')

    def box(self, kind: str, x: float, y: float, width: float, height: float) -> None:
        self.pieces.append(
            f'<rect class="{kind}" x="{x:.2f}" y="{y:.2f}" width="{width:.2f}" height="{height:.2f}"/>'
        )

    def dot(self, x: float, y: float) -> None:
        self.pieces.append(f'<circle class="solid" cx="{x:.2f}" cy="{y:.2f}" r="0.5"/>')

    def ring(self, x: float, y: float) -> None:
        self.pieces.append(f'<circle class="part" cx="{x:.2f}" cy="{y:.2f}" r="0.7"/>')

    def pin(self, part: Part, pin: str) -> None:
        """Opens the group of a pin; `close` ends it."""
        told = "".join(
            f' data-{name}="{escape(value)}"'
            for name, value in (("part", part.name), ("pin", pin), ("net", part.net(pin)))
        )
        self.pieces.append(f"<g{told}>")

    def close(self) -> None:
        self.pieces.append("</g>")

    def flag(self, x: float, y: float, net: str, side: int, half: float = 1.8) -> None:
        """A net's name, its tip at (x, y) and its body on that side, -1 left and 1 right."""
        kind = "power" if net in _POWERS else "ground" if net in _GROUNDS else "flag"
        width = 1.7 * len(net) + 3.4
        tip, far = x + side * 1.6, x + side * (width + 1.6)
        self.shape(kind, (x, y), (tip, y - half), (far, y - half), (far, y + half), (tip, y + half))
        self.text((tip + far) / 2, y + 0.95, net, "middle")

    def chip(
        self,
        part: Part,
        x: float,
        y: float,
        width: float,
        left: Sequence[tuple[str, str]],
        right: Sequence[tuple[str, str]],
        flagged: bool = True,
    ) -> float:
        """A box with pins (pin, name) down its sides, "" for a gap; gives its lower edge.
        Without flagged, the right side's wires end bare."""
        height = _ROW * (max(len(left), len(right)) + 0.4)
        self.text(x + width / 2, y - 4.6, part.name, "name middle")
        self.text(x + width / 2, y - 1.3, part.value, "small middle")
        self.box("body", x, y, width, height)
        for side, pins in ((-1, left), (1, right)):
            edge = x if side < 0 else x + width
            for k, (pin, called) in enumerate(pins):
                if not pin:
                    continue
                row = y + _ROW * (k + 0.7)
                open_ = not part.net(pin)
                self.pin(part, pin) if not open_ else None
                self.text(edge - side * 1.2, row + 0.9, called, "" if side < 0 else "end")
                if pin.isdigit():
                    kind = "small" if side > 0 else "small end"
                    self.text(edge + side * 0.8, row - 0.5, pin, kind)
                far = edge + side * (_STUB if not open_ else 6.0)
                self.line((edge, row), (far, row))
                if open_:
                    self.line((far - 0.7, row - 0.7), (far + 0.7, row + 0.7))
                    self.line((far - 0.7, row + 0.7), (far + 0.7, row - 0.7))
                else:
                    if side < 0 or flagged:
                        self.flag(far, row, part.net(pin), side)
                    self.close()
        return y + height

    def resistor(self, x: float, y: float, name: str) -> None:
        """Lying, 9 mm wide from x, its name in it."""
        self.box("part", x, y - 1.2, 9, 2.4)
        self.text(x + 4.5, y + 0.7, name, "tiny middle")

    def diode(self, x: float, y: float, side: int, light: bool) -> None:
        """Lying, 3 mm wide from x rightwards; its cathode on that side."""
        back, front = (x, x + 3) if side > 0 else (x + 3, x)
        self.shape("part", (back, y - 1.1), (back, y + 1.1), (front, y))
        self.line((front, y - 1.1), (front, y + 1.1))
        if light:
            for k in (0.0, 1.3):
                self.line((x + k + 0.2, y - 3.3), (x + k + 1.1, y - 1.9))
                self.shape(
                    "solid", (x + k + 1.3, y - 1.6), (x + k + 0.6, y - 2.1), (x + k + 1.3, y - 2.4)
                )

    def pair(self, part: Part, x: float, y: float) -> None:
        """A part of two pins between two flags, its middle at x, its name and value above."""
        (one, first), (other, second) = part.pins
        above = 4.6 if part.kind == "photodiode" else 2.9
        self.text(x, y - above, f"{part.name}: {part.value}", "small middle")
        for pin, net, side in ((one, first, -1), (other, second, 1)):
            self.pin(part, pin)
            if len(pin) == 1 and not pin.isdigit():
                self.text(x + side * 6.2, y - 0.5, pin, "small" if side > 0 else "small end")
            self.line((x + side * 2, y), (x + side * 9, y))
            self.flag(x + side * 9, y, net, side)
            self.close()
        if part.kind.startswith("capacitor"):
            for side in (-1, 1):
                self.line((x + side * 2, y), (x + side * 0.6, y))
                self.line((x + side * 0.6, y - 1.7), (x + side * 0.6, y + 1.7))
        elif part.kind.startswith("coin cell"):
            for side, tall in ((-1, 2.2), (1, 1.1)):
                self.line((x + side * 2, y), (x + side * 0.6, y))
                self.line((x + side * 0.6, y - tall), (x + side * 0.6, y + tall))
        elif part.kind.startswith("connector"):
            for side in (-1, 1):
                self.ring(x + side * 1.3, y)
        elif "diode" in part.kind:
            side = 1 if other == "K" else -1
            self.line((x - 2, y), (x + 2, y))
            self.diode(x - 1.5, y, side, light=part.kind == "photodiode")
        else:
            self.box("part", x - 4.5, y - 1.6, 9, 3.2)

    def svg(self, dial: Dial, title: str, notes: Sequence[str], number: int) -> bytes:
        self.box("frame", 6, 6, _WIDTH - 12, _HEIGHT - 12)
        self.text(12, 17, title, "title")
        for k, note in enumerate(notes):
            self.text(12, 23.5 + 4 * k, note)
        self.text(
            _WIDTH - 12, _HEIGHT - 9, f"{stamp(dial)}   sheet {number} of 2   A3", "small end"
        )
        head = (
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{_WIDTH}mm" height="{_HEIGHT}mm" '
            f'viewBox="0 0 {_WIDTH} {_HEIGHT}">'
            f"<title>{escape(title)}</title><style>{_STYLE}</style>"
            f'<rect width="{_WIDTH}" height="{_HEIGHT}" fill="#fff"/>'
        )
        return "\n".join([head, *self.pieces, "</svg>", ""]).encode()


def _multiplexer(backwards: bool = False) -> tuple[list[tuple[str, str]], list[tuple[str, str]]]:
    """Left and right pins of one; backwards: the highest input on top."""
    left = [
        *((str(pin), f"S{k}") for k, pin in enumerate(wiring.MUX_SELECT)),
        (str(wiring.MUX_ENABLE), "E"),
        ("", ""),
        (str(wiring.MUX_SUPPLY), "VCC"),
        (str(wiring.MUX_GROUND), "GND"),
        ("", ""),
        (str(wiring.MUX_COMMON), "Z"),
    ]
    right = [(str(pin), f"Y{k}") for k, pin in enumerate(wiring.MUX_INPUTS)]
    return left, right[::-1] if backwards else right


def board_svg(dial: Dial, found: Circuit) -> bytes:
    """board.svg: board, root, ladder, clocks, storage, references, supply."""
    sheet = _Sheet()
    names = {str(where): f"GP{gpio}" for _, gpio, where in wiring.PICO} if _pico(found) else {}
    names |= {str(pin): net for net, pin in wiring.PICO_POWER} if _pico(found) else {}
    board = found.part(nets.BOARD)
    pins = [pin for pin, _ in board.pins]
    half = 20 if _pico(found) else (len(pins) + 1) // 2
    left = [(pin, names.get(pin, "" if _pico(found) else _gpio(pin))) for pin in pins[:half]]
    right = [(pin, names.get(pin, "" if _pico(found) else _gpio(pin))) for pin in pins[half:]]
    sheet.chip(board, 42, 48, 34, left, right[::-1] if _pico(found) else right)
    sheet.chip(found.part(nets.ROOT), 150, 48, 24, *_multiplexer())
    _ladder(sheet, found, 238, 48)
    columns = (
        ("CLOCK", 352, 48, ("2", "14", "15", "16", "3", "13"), ("5", "6", "7", "8", "9", "10", "11", "12", "1", "4")),
        ("FLASH", 352, 119, ("8", "3", "7", "4"), ("1", "2", "5", "6")),
        ("ENCODER", 352, 160, ("1", "2", "4", "8"), ("6", "7", "3", "5")),
        ("RECEIVER", 352, 201, ("VCC", "GND"), ("RX", "TX", "PPS")),
    )  # fmt: skip
    for name, x, y, one, other in columns:
        called = _CALLED[name]
        sheet.chip(
            found.part(name), x, y, 24,
            [(pin, called.get(pin, "")) for pin in one],
            [(pin, called.get(pin, "")) for pin in other],
        )  # fmt: skip
    pairs = [
        ("D_SKY", "R_SKY", "D_SHADE", "R_SHADE"),
        ("R_EN", "R_CS", "R_SDA", "R_SCL"),
        ("J_BAT", "D_BAT", "CELL", *(("R_UP", "R_DOWN") if not _pico(found) else ())),
    ]
    for column, listed in enumerate(pairs):
        for row, name in enumerate(listed):
            sheet.pair(found.part(name), 48 + 62 * column, 176 + 11 * row)
    capacitors = [part for part in found.parts if part.name.startswith("C_")]
    for k, part in enumerate(capacitors):
        sheet.pair(part, 48 + 62 * (k % 5), 240 + 11 * (k // 5))
    sheet.text(20, 231, "One capacitor beside each chip, on the shortest wires:")
    sheet.text(20, 167, "References, pull-ups, supply:")
    notes = (
        "Flags of one name are joined. A cross ends a pin that is left open. Channels and their leaves: sheet 2.",
        "CLOCK, FLASH, ENCODER and RECEIVER may each be left out. A receiver's PPS goes to TICK where there is no CLOCK.",
    )
    return sheet.svg(dial, f"{board.value}, its multiplexers and chips", notes, 1)


def _pico(found: Circuit) -> bool:
    return found.board == "pico"


def _gpio(pin: str) -> str:
    return f"IO{pin}" if pin.isdigit() else ""


def _ladder(sheet: _Sheet, found: Circuit, x: float, y: float) -> None:
    """The ladder leaf and its chain of resistors, the reference on top."""
    leaf = found.part(nets.LADDER)
    left, right = _multiplexer(backwards=True)
    sheet.chip(leaf, x, y, 24, left, right, flagged=False)
    chain = x + 24 + _STUB + 16
    last = wiring.LADDER_RESISTORS
    rows = {last - 1 - k: y + _ROW * (k + 0.7) for k in range(16)}  # of a tap
    rows[last], rows[0] = rows[last - 1] - 5.6, rows[1] + 5.6
    for number in range(1, last + 1):
        part = found.part(f"RT{number}")
        low, high = rows[number - 1], rows[number]
        middle = (low + high) / 2
        sheet.box("part", chain - 1.1, middle - 1.5, 2.2, 3.0)
        sheet.text(chain + 2.2, middle + 0.7, part.name, "small")
        for pin, end, edge in (("1", low, middle + 1.5), ("2", high, middle - 1.5)):
            sheet.pin(part, pin)
            sheet.line((chain, edge), (chain, end))
            sheet.close()
    for tap in range(1, last):
        sheet.line((x + 24 + _STUB, rows[tap]), (chain, rows[tap]))
        sheet.dot(chain, rows[tap])
        sheet.text(x + 24 + _STUB + 1.5, rows[tap] - 0.5, f"TAP{tap}", "small")
    for tap, net in ((last, found.part(f"RT{last}").net("2")), (0, found.part("RT1").net("1"))):
        sheet.line((chain, rows[tap]), (chain + 10, rows[tap]))
        sheet.flag(chain + 10, rows[tap], net, 1)
    sheet.text(chain + 9, y + _ROW * 8.8, f"each {found.part('RT1').value}, 1%", "small")


def leaves_svg(dial: Dial, found: Circuit) -> bytes:
    """leaves.svg: the leaves and the sensors on them."""
    sheet = _Sheet()
    for number in range(wiring.leaves(found.channels)):
        _leaf(sheet, found, number, 37 + 100 * (number % 4), 49 + 120 * (number // 4))
    notes = (
        f"Each channel: a photodiode D (its cathode, K, at 3.3 V) over a load R of {found.part('R0').value}. Twist its leads.",
        "Flags of one name are joined, here and on sheet 1.",
    )
    return sheet.svg(dial, f"Leaves and sensors of {found.channels} channels", notes, 2)


def _leaf(sheet: _Sheet, found: Circuit, number: int, x: float, y: float) -> None:
    part = found.part(nets.leaf(number))
    width = 18.0
    left, right = _multiplexer()
    quiet = found.part("R0").net("2")
    _spread(sheet, part, x, y, width, left, right)
    for k, (pin, _) in enumerate(right):
        row = y + _WIDE_ROW * (k + 0.7)
        channel = 16 * number + k
        start = x + width + 5
        if channel >= found.channels:
            sheet.flag(start, row, quiet, 1, 1.4)
            continue
        node = start + 9
        load, sensor = found.part(f"R{channel}"), found.part(f"D{channel}")
        sheet.text(start - 0.5, row - 0.5, part.net(pin), "small")
        sheet.line((start, row), (node, row))
        sheet.dot(node, row)
        sheet.pin(load, "1")
        sheet.line((node, row), (node + 2, row))
        sheet.close()
        sheet.resistor(node + 2, row, load.name)
        sheet.pin(load, "2")
        sheet.line((node + 11, row), (node + 13, row))
        sheet.flag(node + 13, row, quiet, 1, 1.4)
        sheet.close()
        sheet.pin(sensor, "A")
        sheet.line((node, row), (node, row - 3.3), (node + 2, row - 3.3))
        sheet.close()
        sheet.diode(node + 2, row - 3.3, 1, light=False)
        sheet.pin(sensor, "K")
        sheet.line((node + 5, row - 3.3), (node + 28, row - 3.3))
        sheet.flag(node + 28, row - 3.3, sensor.net("K"), 1, 1.4)
        sheet.close()
        sheet.text(node + 5.6, row - 3.65, sensor.name, "tiny")


def _spread(
    sheet: _Sheet,
    part: Part,
    x: float,
    y: float,
    width: float,
    left: Sequence[tuple[str, str]],
    right: Sequence[tuple[str, str]],
) -> None:
    """A leaf's box, its inputs far enough apart for a sensor on each."""
    step = _WIDE_ROW
    sheet.text(x + width / 2, y - 6.6, part.name, "name middle")
    sheet.text(x + width / 2, y - 3.6, part.value, "small middle")
    sheet.box("body", x, y - 2.5, width, step * 16.4 + 2.5)
    for side, pins in ((-1, left), (1, right)):
        edge = x if side < 0 else x + width
        for k, (pin, called) in enumerate(pins):
            if not pin:
                continue
            row = y + step * (k + 0.7)
            sheet.pin(part, pin)
            sheet.text(edge - side * 1.2, row + 0.9, called, "" if side < 0 else "end")
            sheet.text(edge + side * 0.6, row - 0.5, pin, "small" if side > 0 else "small end")
            sheet.line((edge, row), (edge + side * 5, row))
            if side < 0:
                sheet.flag(edge - 5, row, part.net(pin), -1)
            sheet.close()
