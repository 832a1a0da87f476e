"""Who sits on which input: sensors on a tree of 16:1 analogue multiplexers.

Sensors are numbered as the firmware scans them: open sky, shaded, channel 0, channel 1 and
so on. Written with 16 as base, that number names the inputs on the way: its lowest digit
the sensor's own multiplexer's input, the next one that of the multiplexer behind it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from dialbench.dial import Dial
from dialbench.fabricate.table import stamp, table
from dialbench.fabricate.workshop import Workshop
from dialcore.crossing import FIRST, SHADE

INPUTS = 16
_LINES = 4


@dataclass(frozen=True)
class Wire:
    """One input of a first-level multiplexer; scan counts from 0, channel None for others."""

    scan: int
    sensor: str
    channel: int | None
    multiplexer: int
    input: int


def wires(dial: Dial) -> tuple[Wire, ...]:
    """Every input of the first level, spare ones too, in the order of the scan."""
    sensors = _sensors(dial)
    return tuple(
        Wire(
            scan=scan,
            sensor=_sensor(scan, sensors),
            channel=scan - FIRST if FIRST <= scan < sensors else None,
            multiplexer=scan // INPUTS,
            input=scan % INPUTS,
        )
        for scan in range(first_level(dial) * INPUTS)
    )


def _sensor(scan: int, sensors: int) -> str:
    if scan >= sensors:
        return "spare: to ground"
    if scan < FIRST:
        return "shaded" if scan == SHADE else "open sky"
    return "channel"


def _sensors(dial: Dial) -> int:
    return int(FIRST) + len(dial.channels)


def first_level(dial: Dial) -> int:
    """How many multiplexers the sensors sit on."""
    return math.ceil(_sensors(dial) / INPUTS)


def multiplexers(dial: Dial) -> int:
    """All of them: one more gathers the outputs where there are several."""
    count = first_level(dial)
    return count + (count > 1)


def wiring_csv(dial: Dial, workshop: Workshop) -> bytes:
    """wiring.csv: one line for every input."""
    count = first_level(dial)
    rooted = count > 1
    remarks = [
        f"{count} multiplexers of 16 inputs (74HC4067 class) numbered from 0 take the sensors.",
        (
            f"Pins S0 to S3 of all of these are joined: S0 (lowest bit) to board pin "
            f"{' then '.join(workshop.select_pins)}."
        ),
    ]
    if rooted:
        remarks += [
            (
                "Their outputs go to inputs 0 and up of one more: the root. Its output goes to board "
                f"pin {workshop.converter_pin}."
            ),
            f"Its own S0 to S3 (here R0 to R3) go to {' then '.join(workshop.root_pins)}.",
        ]
    else:
        remarks.append(f"Its output goes to board pin {workshop.converter_pin}.")
    remarks += [
        "Enable pins of all multiplexers go to ground. 100 nF from supply to ground at each.",
        "The firmware scans in the order of the column scan. Channels are those of dial.toml.",
    ]
    columns = [
        ("scan", "place in the scan from 0"),
        ("sensor", "what sits there"),
        ("channel", "the channel's number. Empty for the references and spare inputs"),
        ("multiplexer", "number of the multiplexer from 0. Also its input of the root"),
        ("input", "input of that multiplexer from 0"),
        *((f"s{k}", f"level of select line S{k} (bit {k} of input)") for k in range(_LINES)),
        *((f"r{k}", f"level of the root's line R{k} (bit {k} of multiplexer)") for k in range(4)),
    ]
    return table(
        stamp(dial),
        "Wiring: which sensor sits on which input",
        remarks,
        columns,
        [
            [
                str(wire.scan),
                wire.sensor,
                "" if wire.channel is None else str(wire.channel),
                str(wire.multiplexer),
                str(wire.input),
                *(str(wire.input >> k & 1) for k in range(_LINES)),
                *(str(wire.multiplexer >> k & 1) if rooted else "" for k in range(_LINES)),
            ]
            for wire in wires(dial)
        ],
    )
