"""How a board is wired to its dial: the one table of pins and places.

The firmware takes its pins from here, the drawings are made from it, and what a test of the
board finds wrong is named by it.

Light reaches the board through a tree of analog multiplexers (74HC4067: sixteen inputs, four
select lines, one enable, low for on). Channel c sits on input c & 15 of leaf c >> 4. The leaves
share their select lines A0 to A3 with one more, the *ladder leaf*, whose inputs are taps of a
chain of equal resistors between the converter's reference and analog ground: all of them
different and known, so that the lines are proved without any light. The commons of the leaves
are inputs of the *root*, whose select lines are B0 to B3; taps on its own last inputs prove
these. The root's common goes to the converter.

Sources: Raspberry Pi, "Raspberry Pi Pico Datasheet" (pins of the header, GP29 as a third of
VSYS) and "RP2040 Datasheet", table of GPIO functions (which pins can be I2C0, SPI0, UART0 and
inputs of the converter); a Pico 2 has the same header. Nexperia, "74HC4067; 74HCT4067" (pins).
Espressif, "ESP32 Series Datasheet" (ADC1 inputs, strapping pins). All from memory.
"""

from dialcore.compat import Any, const

INPUTS = const(16)  # of a multiplexer
LEAVES = const(8)  # that carry channels
CHANNELS = const(128)
LADDER_LEAF = const(8)  # its input at the root
FIRST_TAP = const(9)  # the first of the root's inputs that are taps themselves

LADDER_RESISTORS = const(17)  # equal ones, so that no tap is at an end of the chain
# Taps by input, counted from analog ground: tap t is at t / LADDER_RESISTORS of the reference.
LADDER_TAPS = (1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16)
ROOT_TAPS = (2, 4, 6, 8, 10, 12, 14)  # on the root's inputs FIRST_TAP to 15

SUPPLY_PARTS = const(3)  # the converter sees one part in so many of the supply
REFERENCE_MV = const(3300)  # of the converter, nominally

CLOCK_ADDRESS = const(0x68)  # DS3231
ENCODER_ADDRESS = const(0x36)  # AS5600

# A board: (signal, what the firmware calls the pin, where the wire goes on). A Pico's last
# column is the number of the pin on its header, 0 for one that is not led out.
PICO = (
    ("A0", 2, 4),
    ("A1", 3, 5),
    ("A2", 4, 6),
    ("A3", 5, 7),
    ("B0", 6, 9),
    ("B1", 7, 10),
    ("B2", 8, 11),
    ("B3", 9, 12),
    ("EN", 10, 14),  # of all multiplexers, with a pull-up: off until the firmware runs
    ("GPS_TX", 12, 16),  # from the board to the receiver
    ("GPS_RX", 13, 17),
    ("NOR_MISO", 16, 21),
    ("NOR_CS", 17, 22),
    ("NOR_SCK", 18, 24),
    ("NOR_MOSI", 19, 25),
    ("SDA", 20, 26),
    ("SCL", 21, 27),
    ("TICK", 22, 29),  # 1 Hz: the clock chip's square wave, or a receiver's pulse
    ("LIGHT", 26, 31),  # the root's common
    ("SKY", 27, 32),
    ("SHADE", 28, 34),
    ("SUPPLY", 29, 0),  # VSYS / 3, by the Pico's own divider
)
PICO_BUSES = (("I2C", 0), ("SPI", 0), ("UART", 0))
# What a Pico feeds the dial from: (net, pin on the header).
PICO_POWER = (("3V3", 36), ("VREF", 35), ("AGND", 33), ("GND", 38), ("VSYS", 39))

# An ESP32 module: the last column is the number printed beside the pin. Light is on ADC1 alone,
# for ADC2 and the radio exclude each other. GPIO 15 wants to be high at the start, as EN is, and
# so does 5, as the select of a resting chip. There is no pin to speak to a receiver.
ESP32 = (
    ("A0", 25, 25),
    ("A1", 26, 26),
    ("A2", 27, 27),
    ("A3", 14, 14),
    ("B0", 13, 13),
    ("B1", 4, 4),
    ("B2", 32, 32),
    ("B3", 33, 33),
    ("EN", 15, 15),
    ("GPS_RX", 16, 16),
    ("NOR_MISO", 19, 19),
    ("NOR_CS", 5, 5),
    ("NOR_SCK", 18, 18),
    ("NOR_MOSI", 23, 23),
    ("SDA", 21, 21),
    ("SCL", 22, 22),
    ("TICK", 17, 17),
    ("LED", 2, 2),
    ("LIGHT", 36, 36),
    ("SKY", 39, 39),
    ("SHADE", 34, 34),
    ("SUPPLY", 35, 35),  # a third of the supply, by two resistors to be added
)
ESP32_BUSES = (("I2C", 0), ("SPI", 2), ("UART", 2))

# Pins of a 74HC4067 in its package of 24: inputs by number, select lines by weight.
MUX_INPUTS = (9, 8, 7, 6, 5, 4, 3, 2, 23, 22, 21, 20, 19, 18, 17, 16)
MUX_SELECT = (10, 11, 14, 13)
MUX_COMMON = const(1)
MUX_ENABLE = const(15)
MUX_GROUND = const(12)
MUX_SUPPLY = const(24)


def pin(board: Any, signal: str) -> int:
    """What the firmware calls the pin of a signal of PICO or ESP32; -1 where there is none."""
    for row in board:
        if row[0] == signal:
            return int(row[1])
    return -1


def bus(buses: Any, kind: str) -> int:
    """The number of the board's bus of that kind: "I2C", "SPI" or "UART"."""
    for row in buses:
        if row[0] == kind:
            return int(row[1])
    raise ValueError("no bus %s" % kind)


def leaves(channels: int) -> int:
    """How many leaves carry so many channels, the ladder leaf not among them."""
    return int((channels + INPUTS - 1) // INPUTS)


def leaf_of(channel: int) -> int:
    """The leaf on which a channel sits, which is also its input at the root."""
    return channel >> 4


def input_of(channel: int) -> int:
    """A channel's input on its leaf."""
    return channel & 15


def tap_counts(tap: int) -> int:
    """What a converter of counts 0 to 65535 shows of a tap."""
    return int(65535 * tap // LADDER_RESISTORS)


def ladder_tap(root: int, leaf: int) -> int:
    """The tap that the converter must see with these select lines, 0 where a channel is."""
    if root == LADDER_LEAF:
        return LADDER_TAPS[leaf]
    return ROOT_TAPS[root - FIRST_TAP] if root >= FIRST_TAP else 0
