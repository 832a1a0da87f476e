"""A board's parts out of a table of its pins (dialcore.wiring), the same on every kind of chip that
MicroPython's `machine` speaks for."""

import machine
from dialcore import wiring
from dialcore.compat import const
from dialnode.multiplexed import Multiplexed

_WATCHDOG_MS = const(8000)
_I2C_HZ = const(100000)
_SPI_HZ = const(8000000)
_NMEA_BAUD = const(9600)  # of most receivers as they come (common practice, no source)


class WiredBoard(Multiplexed):
    """A multiplexed board by its pins and buses; a subclass adds uid, doze and let_be.

    light, sky, shade, supply, led: as Multiplexed has them.
    """

    def __init__(self, pins, buses, light, sky, shade, supply, led):
        def pin(signal):
            return machine.Pin(wiring.pin(pins, signal))

        def out(signal, level):
            return machine.Pin(wiring.pin(pins, signal), machine.Pin.OUT, value=level)

        def nor():
            bus = machine.SPI(
                wiring.bus(buses, "SPI"),
                baudrate=_SPI_HZ,
                sck=pin("NOR_SCK"),
                mosi=pin("NOR_MOSI"),
                miso=pin("NOR_MISO"),
            )
            return bus, out("NOR_CS", 1)

        def receiver():
            # Nothing is ever said to it, and not every board has a pin for that.
            speaks = {"tx": pin("GPS_TX")} if wiring.pin(pins, "GPS_TX") >= 0 else {}
            return machine.UART(
                wiring.bus(buses, "UART"),
                baudrate=_NMEA_BAUD,
                rx=pin("GPS_RX"),
                rxbuf=1024,
                timeout=0,
                **speaks,
            )

        self._watchdog = None
        Multiplexed.__init__(
            self,
            [out(signal, 0) for signal in ("A0", "A1", "A2", "A3", "B0", "B1", "B2", "B3")],
            out("EN", 1),
            light,
            sky,
            shade,
            supply,
            led,
            machine.I2C(wiring.bus(buses, "I2C"), sda=pin("SDA"), scl=pin("SCL"), freq=_I2C_HZ),
            nor,
            receiver,
            machine.Pin(wiring.pin(pins, "TICK"), machine.Pin.IN, machine.Pin.PULL_UP),
        )

    def feed(self):
        """Tell the watchdog that all is well; the first time starts it."""
        if self._watchdog is None:
            self._watchdog = machine.WDT(timeout=_WATCHDOG_MS)
        self._watchdog.feed()
