"""MicroPython's `machine`, soldered to a simulated world: what board_pico and board_esp32 use."""

from dialcore import wiring
from dialnode.virtual_nor import NorChip
from world import PIN_US

world = None  # where the board stands; power_on puts it here


def _signal(number):
    table = wiring.PICO if world.scene["board"] == "rp2" else wiring.ESP32
    for signal, pin, _place in table:
        if pin == number:
            return signal
    return number


class Pin:
    IN = 0
    OUT = 1
    ALT = 3
    PULL_UP = 1
    PULL_DOWN = 2
    IRQ_FALLING = 4
    IRQ_RISING = 8

    def __init__(self, number, mode=IN, pull=None, value=None):
        self.signal = _signal(number)
        self.function = 0
        if value is not None:
            self(value)

    def __call__(self, level=None):
        world.advance(PIN_US)
        if level is None:
            return 1 if self.signal in (24, "WL_GPIO2") and world.scene["usb"] else 0
        world.levels[self.signal] = level
        if self.signal == "NOR_CS" and SPI.chip is not None:
            SPI.chip.select(level)
        elif isinstance(self.signal, str) and self.signal[0] in "AB" and len(self.signal) == 2:
            world.line(self.signal, level)
        return None

    def init(self, mode, pull=None, alt=0):
        self.function = alt if mode == self.ALT else 0

    def irq(self, handler, trigger):
        if world.chip.ticking() and not world.fault("no_tick"):
            assert trigger == self.IRQ_FALLING, "a chip's second begins as its output falls"
            world.edges = (handler, self)
            world.next_edge_us = (world.us // 1e6 + 1) * 1e6


def _is_bus(kind, number):
    buses = wiring.PICO_BUSES if world.scene["board"] == "rp2" else wiring.ESP32_BUSES
    return wiring.bus(buses, kind) == number


class ADC:
    ATTN_11DB = 3

    def __init__(self, pin, atten=ATTN_11DB):
        self._pin = pin
        self._shows = {
            "LIGHT": world.light,
            "SKY": world.sky,
            "SHADE": world.shade,
            "SUPPLY": world.supply,
        }[pin.signal]
        self.read_u16 = self._shows if pin.signal != "SUPPLY" else self._unless_taken

    def _unless_taken(self):
        return self._shows() if not self._pin.function else 0


class I2C:
    def __init__(self, number, sda, scl, freq):
        assert _is_bus("I2C", number) and (sda.signal, scl.signal) == ("SDA", "SCL")

    def readfrom_mem_into(self, address, register, buffer):
        world.i2c(address).read(register, buffer)

    def writeto_mem(self, address, register, data):
        world.i2c(address).write(register, data)


class Chip(NorChip):
    """Takes its time to erase and to program (W25Q class, typical, from memory), and hears
    nothing but what asks for its status meanwhile."""

    _until_us = 0.0

    def erase(self, address):
        self._until_us = world.us + 45000.0
        NorChip.erase(self, address)

    def program(self, address, data):
        self._until_us = world.us + 700.0
        NorChip.program(self, address, data)

    def write(self, data):
        if world.us >= self._until_us or data[0] == 0x05:
            NorChip.write(self, data)

    def readinto(self, buffer):
        if self._said:
            NorChip.readinto(self, buffer)
            if self._said[0] == 0x05 and world.us < self._until_us:
                buffer[0] = 1
        else:
            for i in range(len(buffer)):
                buffer[i] = 255


class SPI:
    """With the flash chip behind it, which hears while its select line is low."""

    chip = None

    def __init__(self, number, baudrate, sck, mosi, miso):
        assert _is_bus("SPI", number)
        assert (sck.signal, mosi.signal, miso.signal) == ("NOR_SCK", "NOR_MOSI", "NOR_MISO")
        size = world.scene["flash"]
        if size and not world.fault("dead_nor"):
            SPI.chip = Chip(_memory(size), size)

    def write(self, data):
        world.advance(len(data) + 5)
        if SPI.chip is not None and not world.levels["NOR_CS"]:
            SPI.chip.write(data)

    def readinto(self, buffer):
        world.advance(len(buffer) + 5)
        if SPI.chip is not None and not world.levels["NOR_CS"]:
            SPI.chip.readinto(buffer)
        else:
            for i in range(len(buffer)):
                buffer[i] = 255


def _memory(size):
    try:
        return open("flash", "r+b", buffering=0)
    except OSError:
        with open("flash", "wb") as file:
            while file.tell() < size:
                file.write(b"\xff" * 4096)
        return open("flash", "r+b", buffering=0)


class UART:
    """A satellite receiver that says what the scene says, a sentence each second."""

    def __init__(self, number, baudrate, rx, rxbuf, timeout, tx=None):
        assert _is_bus("UART", number) and rx.signal == "GPS_RX"
        assert tx is None or tx.signal == "GPS_TX"
        self._said = world.us
        self._waits = b""

    def any(self):
        world.advance(PIN_US)
        while self._said + 1e6 <= world.us:
            self._said += 1e6
            self._waits += world.scene.get("sentence", "").encode()
        return len(self._waits)

    def readinto(self, buffer):
        size = min(len(buffer), len(self._waits))
        buffer[:size] = self._waits[:size]
        self._waits = self._waits[size:]
        return size


class WDT:
    def __init__(self, timeout):
        world.watchdog_us = 1000.0 * timeout
        self.feed()

    def feed(self):
        world.fed_us = world.us


class _Memory:
    """The one register that is written: a watchdog's, by its clearing alias."""

    def __setitem__(self, address, value):
        of_2350 = "RP2350" in world.scene["platform"]
        assert address == (0x400D8000 if of_2350 else 0x40058000) + 0x3000
        assert value == 1 << 30
        world.watchdog_us = None


mem32 = _Memory()


def unique_id():
    return b"pins-sim"


def lightsleep(ms):
    world.advance(1000.0 * ms, "slept")
