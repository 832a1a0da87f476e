"""Boards with an RP2040 or RP2350: Raspberry Pi Pico and Pico 2, with radio or without.

The host's line is USB. While there is power on USB a host may be there, and at night the board
only waits for it with its processor halted (`machine.idle` is what polling does): a request is
answered at once. Without, no host can be there; the board then sleeps (`machine.lightsleep`,
which stops the clock of USB) for naps of four seconds, looks for power on USB after each, and
is awake before a host has found the port.

The watchdog bites after eight seconds; a release stops it, which `machine` has no word for.
Registers and what of a board with radio hangs on its radio chip (lamp, sense of USB power; GP29 is
its bus, and shows the supply only while GP25 is high and the bus rests): RP2040 and RP2350
Datasheets, Raspberry Pi Pico W Datasheet; from memory. That GP29 goes back to the bus as function
7 is common practice, no source.
"""

import os

import machine
from dialcore import wiring
from dialcore.compat import const
from dialnode.board_parts import WiredBoard

_NAP_MS = const(4000)
_WAIT_MS = const(1000)
_BUS = const(7)  # function of the radio's pin
_ENABLE = const(1 << 30)  # of a watchdog's control register
_CLEAR = const(0x3000)  # added to a register's address: bits written as 1 become 0
_WATCHDOG_2040 = const(0x40058000)
_WATCHDOG_2350 = const(0x400D8000)


def _pin(signal):
    return wiring.pin(wiring.PICO, signal)


class PicoBoard(WiredBoard):
    """Same methods as every board_*: see DEVELOPERS.md, "To add a board"."""

    def __init__(self):
        out = machine.Pin.OUT
        self.uid = machine.unique_id()
        self._kind = os.uname().machine
        self._radio = "Pico W" in self._kind or "Pico 2 W" in self._kind
        self._usb = machine.Pin("WL_GPIO2" if self._radio else 24, machine.Pin.IN)
        if self._radio:
            machine.Pin(25, out, value=1)
        self._vsys_pin = machine.Pin(_pin("SUPPLY"))
        self._vsys = machine.ADC(self._vsys_pin)
        supply = self._vsys.read_u16
        if self._radio:
            supply = self._radio_supply
            supply()  # gives the pin back, before the lamp needs it
        WiredBoard.__init__(
            self,
            wiring.PICO,
            wiring.PICO_BUSES,
            machine.ADC(machine.Pin(_pin("LIGHT"))).read_u16,
            machine.ADC(machine.Pin(_pin("SKY"))).read_u16,
            machine.ADC(machine.Pin(_pin("SHADE"))).read_u16,
            supply,
            machine.Pin("LED", out, value=0),
        )

    def _radio_supply(self):
        pin = self._vsys_pin
        pin.init(machine.Pin.IN)
        counts = self._vsys.read_u16()
        pin.init(machine.Pin.ALT, machine.Pin.PULL_DOWN, alt=_BUS)
        return counts

    def doze(self):
        """As rest, the waiting alone."""
        if self._usb():
            self._poll_in.poll(_WAIT_MS)
        else:
            machine.lightsleep(_NAP_MS)

    def let_be(self):
        """The watchdog off."""
        if self._watchdog is not None:
            base = _WATCHDOG_2350 if "RP2350" in self._kind else _WATCHDOG_2040
            machine.mem32[base + _CLEAR] = _ENABLE
