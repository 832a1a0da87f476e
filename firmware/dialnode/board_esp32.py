"""Boards with an ESP32 and a USB bridge.

The host's line is UART 0 behind the bridge, which is there whether a host is or not: at night the
board waits for it with its processor halted between ticks, and never sleeps. The watchdog is
that of the tasks; it cannot be stopped, but takes any time that it is given (from memory).
"""

import machine
from dialcore import wiring
from dialcore.compat import const
from dialnode.multiplexed import Multiplexed

_WATCHDOG_MS = const(8000)
_NO_WATCHDOG_MS = const(86400000)
_WAIT_MS = const(1000)
_I2C_HZ = const(100000)
_SPI_HZ = const(8000000)
_NMEA_BAUD = const(9600)  # of most receivers as they come (common practice, no source)


def _pin(signal):
    return wiring.pin(wiring.ESP32, signal)


def _counts(signal):
    # 11 dB reach up to the supply's 3.3 V, all but the last tenths.
    return machine.ADC(machine.Pin(_pin(signal)), atten=machine.ADC.ATTN_11DB).read_u16


class Esp32Board(Multiplexed):
    """Same methods as every board_*: see DEVELOPERS.md, "To add a board"."""

    weak_mv = 4400  # its regulator drops 1.1 V (of the AMS1117 class, from memory)

    def __init__(self):
        out = machine.Pin.OUT
        self.uid = (machine.unique_id() + bytes(2))[:8]
        self._watchdog = None
        Multiplexed.__init__(
            self,
            [
                machine.Pin(_pin(s), out, value=0)
                for s in ["A0", "A1", "A2", "A3", "B0", "B1", "B2", "B3"]
            ],
            machine.Pin(_pin("EN"), out, value=1),
            _counts("LIGHT"),
            _counts("SKY"),
            _counts("SHADE"),
            _counts("SUPPLY"),
            machine.Pin(_pin("LED"), out, value=0),
            machine.I2C(
                wiring.bus(wiring.ESP32_BUSES, "I2C"),
                sda=machine.Pin(_pin("SDA")),
                scl=machine.Pin(_pin("SCL")),
                freq=_I2C_HZ,
            ),
            _nor,
            _receiver,
            machine.Pin(_pin("TICK"), machine.Pin.IN, machine.Pin.PULL_UP),
        )

    def feed(self):
        """Tell the watchdog that all is well; the first time starts it."""
        if self._watchdog is None:
            self._watchdog = machine.WDT(timeout=_WATCHDOG_MS)
        self._watchdog.feed()

    def doze(self):
        """As rest, the waiting alone."""
        self._poll_in.poll(_WAIT_MS)

    def let_be(self):
        """The watchdog as good as off."""
        if self._watchdog is not None:
            machine.WDT(timeout=_NO_WATCHDOG_MS)


def _nor():
    bus = machine.SPI(
        wiring.bus(wiring.ESP32_BUSES, "SPI"),
        baudrate=_SPI_HZ,
        sck=machine.Pin(_pin("NOR_SCK")),
        mosi=machine.Pin(_pin("NOR_MOSI")),
        miso=machine.Pin(_pin("NOR_MISO")),
    )
    return bus, machine.Pin(_pin("NOR_CS"), machine.Pin.OUT, value=1)


def _receiver():
    return machine.UART(
        wiring.bus(wiring.ESP32_BUSES, "UART"),
        baudrate=_NMEA_BAUD,
        rx=machine.Pin(_pin("GPS_RX")),
        rxbuf=1024,
        timeout=0,
    )
