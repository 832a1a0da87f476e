"""The wiring table for people: which channel sits on which input of which multiplexer.

Places are those of `dialcore.wiring`, as the firmware has them; nets those of the circuit.
"""

from __future__ import annotations

from dialbench.dial import Dial
from dialbench.fabricate.circuit import Circuit, leaf
from dialbench.fabricate.table import stamp, table
from dialcore import wiring

_LINES = 4


def wiring_csv(dial: Dial, circuit: Circuit) -> bytes:
    """wiring.csv: one line for every input of a leaf."""
    leaves = wiring.leaves(circuit.channels)
    pico = circuit.board == "pico"
    rows = wiring.PICO if pico else wiring.ESP32
    pins = " then ".join(
        f"{signal} GP{number} (pin {where})" if pico else f"{signal} GPIO{number}"
        for signal, number, where in rows
        if where
    )
    remarks = [
        f"{leaves} multiplexers LEAF0 and up take the channels. LADDER proves the lines without light.",
        "Their commons are inputs of ROOT: leaf k on input k. The ladder's on input 8.",
        "The open-sky and the shaded sensor go to converter inputs of their own: SKY and SHADE.",
        f"Signals of the board ({circuit.board}): {pins}.",
        "Channels are those of dial.toml. Everything else is in netlist.csv.",
    ]
    columns = [
        ("channel", "its number. Empty for an input that is spare and goes to ground"),
        ("net", "joined to this input"),
        ("multiplexer", "part in the netlist"),
        ("input", "of that multiplexer from 0"),
        ("pin", "of its package of 24"),
        *((f"a{k}", f"level of select line A{k} (bit {k} of input)") for k in range(_LINES)),
        *((f"b{k}", f"level of select line B{k} (bit {k} of the leaf)") for k in range(_LINES)),
    ]
    listed = []
    for place in range(leaves * wiring.INPUTS):
        number, at = wiring.leaf_of(place), wiring.input_of(place)
        pin = str(wiring.MUX_INPUTS[at])
        listed.append(
            [
                str(place) if place < circuit.channels else "",
                circuit.part(leaf(number)).net(pin),
                leaf(number),
                str(at),
                pin,
                *(str(at >> k & 1) for k in range(_LINES)),
                *(str(number >> k & 1) for k in range(_LINES)),
            ]
        )
    return table(stamp(dial), "Wiring: which channel sits on which input", remarks, columns, listed)
