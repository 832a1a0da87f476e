"""What a board under test is soldered to: light, lines, chips, supply and time, all simulated.

`scene.json` in the working folder says what there is. Time passes by what the board does: a
conversion, a pin, a sleep, each has its cost. Runs under MicroPython.

The tree of multiplexers is made of capacitances: each leaf's common has one, the root's common
(with the converter) another. Switching the root lets two of them share their charge; then
they go to the source's voltage with the time constant of its resistance. The converter's
sampling capacitor carries charge from one conversion to the next.

Values, from memory: 74HC4067 70 ohm (typical, 100 at 3.3 V here), 45 pF at its common (Nexperia's data
sheet); RP2040's converter 12 bits of which 8.7 are effective, 2 us a conversion (its data sheet).
"""

import json
import math
from time import gmtime

VREF = 3.3
ON_OHM = 100.0
LEAF_F = 45e-12
ROOT_F = 55e-12
SAMPLE_SHARE = 0.02  # of the sampling capacitor's old charge in a conversion
NOISE_STEPS = 2.85  # rms, in steps of 12 bits: what 8.7 of 12 bits leave
LEAK_S = 0.5  # with which a line that is connected to nothing loses its charge
PIN_US = 1.2  # what the interpreter takes for a call of a pin or a converter
CONVERSION_US = 2.0
POLL_US = 4.0

SCENE = {
    "channels": 16,
    "ladder_ohm": 1000.0,  # each of 17
    "sensor_ohm": 4700.0,  # a channel's, as the multiplexer sees it
    "dark_v": 0.01,
    "stray_v": 0.03,  # on a channel that is not lit, in the sun
    "lit_v": 2.4,
    "sky_v": 2.0,  # direct sun on the open-sky sensor
    "diffuse_v": 0.3,
    "offset_steps": 5.0,  # the converter's
    "sun_ms": [[0, 1 << 30]],  # from when till when it shines
    "first_ms": 4000,  # middle of channel 0's light
    "apart_ms": 3000,  # from there to channel 1's
    "lit_ms": 2500,
    "ramp_ms": 1000,  # an edge's length
    "supply_mv": [[0, 4200]],  # steps
    "usb": True,
    "utc_s": 1774008000,  # as it starts
    "angle": -1,  # the encoder's; -1: none is there
    "flash": 1 << 20,  # bytes of the flash chip; 0: none is there
    "board": "rp2",  # or "esp32": sys.platform
    "platform": "Raspberry Pi Pico with RP2040",
    "free_ms": 1 << 30,  # until then, no time is waited that passes
    "until_ms": 1 << 30,  # when the power goes
    "seed": 1,
    "faults": [],
}


class PowerOff(SystemExit):
    """The board's power is gone."""


class World:
    """One board's surroundings; `scene` is laid over SCENE; its faults are listed in DEVELOPERS.md."""

    def __init__(self, scene):
        self.scene = dict(SCENE)
        self.scene.update(scene)
        self.us = 0.0
        self.own_bytes = 0  # of the heap, before the firmware comes
        self.waited_us = 0  # at the latest switch
        self.spent = {"idle": 0.0, "slept": 0.0}
        self.edges = None  # (handler, pin) that a second's beginning calls
        self.next_edge_us = 0.0
        self.watchdog_us = None
        self.fed_us = 0.0
        self.levels = {}
        self._seed = self.scene["seed"] * 7919 + 17
        self._leaf_v = [0.0] * 9
        self._root_v = 0.0
        self._then_us = 0.0
        self._sample_v = 0.0
        self._root = self._leaf = 0
        self.chip = Clock(self)
        self.encoder = Encoder(self)
        self._lines = {}
        for name in ["A0", "A1", "A2", "A3", "B0", "B1", "B2", "B3"]:
            self._lines[name] = 0

    # -- faults

    def fault(self, kind):
        """The first fault of a kind, None if there is none."""
        for one in self.scene["faults"]:
            if one["kind"] == kind:
                return one
        return None

    def _faults(self, kind):
        return [one for one in self.scene["faults"] if one["kind"] == kind]

    def seen(self, name):
        """The level of a select line as the multiplexers see it."""
        for one in self._faults("stuck"):
            if one["line"] == name:
                return one["level"]
        for one in self._faults("shorted_lines"):
            if name in one["lines"]:
                return self._lines[one["lines"][0]] & self._lines[one["lines"][1]]
        for one in self._faults("swapped"):
            if name in one["lines"]:
                other = one["lines"][0] if name == one["lines"][1] else one["lines"][1]
                return self._lines[other]
        return self._lines[name]

    # -- time

    def advance(self, us, how=None):
        """Let time pass; how: what of the board does not work meanwhile."""
        if how:
            self.spent[how] += us
        end = self.us + us
        if self.edges and how != "slept":
            while self.next_edge_us <= end:
                self.us = self.next_edge_us
                self.next_edge_us += self.chip.second_us()
                self.edges[0](self.edges[1])
        elif self.edges:
            while self.next_edge_us <= end:
                self.next_edge_us += self.chip.second_us()
        self.us = end
        if self.watchdog_us and self.us - self.fed_us > self.watchdog_us:
            self.off("the watchdog has bitten")
        if self.us >= 1000.0 * self.scene["until_ms"]:
            self.off("the power is off")

    def off(self, why):
        """The end; what it was like is in meter.json."""
        with open("meter.json", "w") as file:
            file.write(
                json.dumps(
                    dict(
                        self.spent,
                        total=self.us,
                        why=why,
                        own_bytes=self.own_bytes,
                        settle_us=self.waited_us,
                        watchdog=self.watchdog_us,
                    )
                )
            )
        raise PowerOff(0)

    @property
    def ms(self):
        return self.us / 1000.0

    # -- light

    def _random(self):
        # Of 31 bits, Park and Miller's.
        self._seed = self._seed * 48271 % 2147483647
        return self._seed / 2147483647.0

    def _noise(self):
        total = 0.0
        for _ in range(4):
            total += self._random()
        return (total - 2.0) * 1.7320508

    def shines(self):
        """Whether the Sun does."""
        for start, end in self.scene["sun_ms"]:
            if start <= self.ms < end:
                return True
        return False

    def lit(self, channel):
        """A channel's lit fraction now."""
        if not self.shines():
            return 0.0
        scene = self.scene
        middle = scene["first_ms"] + channel * scene["apart_ms"]
        edge = (scene["lit_ms"] + scene["ramp_ms"]) / 2 - abs(self.ms - middle)
        return min(max(edge / scene["ramp_ms"], 0.0), 1.0)

    def channel_v(self, channel):
        """What a channel's sensor gives, as it is soldered."""
        scene = self.scene
        if channel >= scene["channels"]:
            return 0.0
        for one in self._faults("dead_channel"):
            if one["channel"] == channel:
                return 0.0
        v = scene["dark_v"]
        if self.shines():
            v += scene["stray_v"] + scene["lit_v"] * self.lit(channel)
        return v

    def _input(self, leaf, number):
        """(volts, ohms) of a leaf's input."""
        if leaf == 8:
            return self._tap(number + 1)
        for one in self._faults("shorted_inputs"):
            if one["leaf"] == leaf and number in one["inputs"]:
                a, b = one["inputs"]
                v = (self.channel_v(leaf * 16 + a) + self.channel_v(leaf * 16 + b)) / 2
                return v, self.scene["sensor_ohm"] / 2
        return self.channel_v(leaf * 16 + number), self.scene["sensor_ohm"]

    def _tap(self, tap):
        return VREF * tap / 17, self.scene["ladder_ohm"] * tap * (17 - tap) / 17

    def _fitted(self, leaf):
        """Whether a leaf is there and its common reaches the root."""
        for one in self._faults("broken_leaf"):
            if one["leaf"] == leaf:
                return False
        return leaf == 8 or leaf * 16 < self.scene["channels"]

    def settle(self):
        """Bring all capacitances to what they hold now, with the lines as they stood."""
        span_s = (self.us - self._then_us) * 1e-6
        self._then_us = self.us
        root = self._root
        for leaf in range(9):
            v, ohm = self._input(leaf, self._leaf)
            farad = LEAF_F
            if leaf == root and self._fitted(leaf):
                farad += ROOT_F
                self._root_v = self._leaf_v[leaf]
            share = math.exp(-span_s / ((ohm + ON_OHM) * farad))
            self._leaf_v[leaf] = v + (self._leaf_v[leaf] - v) * share
        if root >= 9:
            v, ohm = self._tap(2 * (root - 8))
            share = math.exp(-span_s / ((ohm + ON_OHM) * ROOT_F))
            self._root_v = v + (self._root_v - v) * share
        elif self._fitted(root):
            self._root_v = self._leaf_v[root]
        else:
            self._root_v *= math.exp(-span_s / LEAK_S)

    def line(self, name, level):
        """A select line is set."""
        self.settle()
        self._lines[name] = level
        root = leaf = 0
        for k in range(4):
            leaf |= self.seen("A%d" % k) << k
            root |= self.seen("B%d" % k) << k
        if root != self._root and root < 9 and self._fitted(root):
            shared = (self._root_v * ROOT_F + self._leaf_v[root] * LEAF_F) / (ROOT_F + LEAF_F)
            self._leaf_v[root] = self._root_v = shared
        self._root = root
        self._leaf = leaf

    def convert(self, v):
        """Counts of one conversion of a voltage."""
        self.advance(CONVERSION_US + PIN_US)
        hum = self.fault("hum")
        if hum:
            v += hum["mv"] / 1000.0 * math.sin(6.2831853 * hum["hz"] * self.us * 1e-6)
        v += (self._sample_v - v) * SAMPLE_SHARE
        self._sample_v = v
        steps = v / VREF * 4096 + self.scene["offset_steps"] + NOISE_STEPS * self._noise()
        steps = min(max(int(steps), 0), 4095)
        return steps << 4 | steps >> 8

    def light(self):
        """The converter at the root's common."""
        self.settle()
        return self.convert(self._root_v if not self.levels.get("EN") else 0.0)

    def sky(self):
        """The converter at the open-sky sensor."""
        scene = self.scene
        direct = scene["sky_v"] + scene["diffuse_v"] if self.shines() else 0.0
        return self.convert(scene["dark_v"] + direct)

    def shade(self):
        """The converter at the shaded sensor, which sees 0.8 of the diffuse light."""
        scene = self.scene
        diffuse = scene["diffuse_v"] * 0.8 if self.shines() else 0.0
        return self.convert(scene["dark_v"] + diffuse)

    def supply_mv(self):
        """Millivolts of VSYS now."""
        weak = self.fault("weak_supply")
        if weak:
            return weak["mv"]
        mv = 0
        for start, value in self.scene["supply_mv"]:
            if start <= self.ms:
                mv = value
        return mv

    def supply(self):
        """The converter at a third of VSYS."""
        return self.convert(self.supply_mv() / 3000.0)

    # -- buses

    def i2c(self, address):
        """The chip at an address. Raises OSError where none is."""
        self.advance(300)
        if address == 0x68 and not self.fault("no_rtc"):
            return self.chip
        if address == 0x36 and self.scene["angle"] >= 0:
            return self.encoder
        raise OSError(5)  # EIO: no acknowledgement


class Clock:
    """A DS3231 by its registers (Maxim's data sheet 19-5170, from memory): 0 to 6 the time, 0x0E control
    (INTCN set: no square wave), 0x0F status (bit 7: stood still)."""

    def __init__(self, world):
        self._world = world
        self.memory = bytearray(19)
        self.memory[0x0E] = 0x1C
        self.memory[0x0F] = 0x88 if world.fault("stopped_rtc") else 0x08
        drift = world.fault("rtc_drift")
        self._rate = 1.0 + (drift["ppm"] * 1e-6 if drift else 0.0)

    def second_us(self):
        """How long one of its seconds is."""
        return 1e6 / self._rate

    def _show(self):
        seconds = 0 if self._world.fault("stopped_rtc") else self._world.scene["utc_s"]
        seconds += int(self._world.us * self._rate * 1e-6 + 1e-9)
        year, month, day, hour, minute, second = gmtime(seconds)[:6]
        weekday = (seconds // 86400 + 3) % 7 + 1
        for at, n in enumerate((second, minute, hour, weekday, day, month, year % 100)):
            self.memory[at] = n // 10 << 4 | n % 10

    def read(self, register, buffer):
        self._show()
        for i in range(len(buffer)):
            buffer[i] = self.memory[(register + i) % 19]

    def write(self, register, data):
        for i in range(len(data)):
            at = (register + i) % 19
            if at == 0x0F:  # the flag of having stood still can be cleared, not set
                self.memory[at] = data[i] & 0x7F | self.memory[at] & data[i] & 0x80
            else:
                self.memory[at] = data[i]

    def ticking(self):
        """Whether its output is the square wave of 1 Hz."""
        return not self.memory[0x0E] & 0x1C


class Encoder:
    """An AS5600 by its registers (ams's data sheet DS000365): 0x0B status, 0x0C and 0x0D the raw angle."""

    def __init__(self, world):
        self._world = world

    def read(self, register, buffer):
        angle = self._world.scene["angle"]
        memory = {0x0B: 0x20, 0x0C: angle >> 8, 0x0D: angle & 255}
        for i in range(len(buffer)):
            buffer[i] = memory.get(register + i, 0)

    def write(self, register, data):
        raise OSError(5)
