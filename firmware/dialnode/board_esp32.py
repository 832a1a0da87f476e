"""Boards with an ESP32 and a USB bridge.

The host's line is UART 0 behind the bridge, which is there whether a host is or not: at night the
board waits for it with its processor halted between ticks, and never sleeps. The watchdog is
that of the tasks; it cannot be stopped, but takes any time that it is given (from memory).
"""

import machine
from dialcore import wiring
from dialcore.compat import const
from dialnode.board_parts import WiredBoard

_NO_WATCHDOG_MS = const(86400000)
_WAIT_MS = const(1000)


def _pin(signal):
    return wiring.pin(wiring.ESP32, signal)


def _counts(signal):
    # 11 dB reach up to the supply's 3.3 V, all but the last tenths.
    return machine.ADC(machine.Pin(_pin(signal)), atten=machine.ADC.ATTN_11DB).read_u16


class Esp32Board(WiredBoard):
    """Same methods as every board_*: see DEVELOPERS.md, "To add a board"."""

    weak_mv = 4400  # its regulator drops 1.1 V (of the AMS1117 class, from memory)

    def __init__(self):
        self.uid = (machine.unique_id() + bytes(2))[:8]
        WiredBoard.__init__(
            self,
            wiring.ESP32,
            wiring.ESP32_BUSES,
            _counts("LIGHT"),
            _counts("SKY"),
            _counts("SHADE"),
            _counts("SUPPLY"),
            machine.Pin(_pin("LED"), machine.Pin.OUT, value=0),
        )

    def doze(self):
        """As rest, the waiting alone."""
        self._poll_in.poll(_WAIT_MS)

    def let_be(self):
        """The watchdog as good as off."""
        if self._watchdog is not None:
            machine.WDT(timeout=_NO_WATCHDOG_MS)
