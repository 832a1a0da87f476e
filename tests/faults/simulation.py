"""The board's own log and serve, and the host's own link, over a simulated line: time passes
only as bytes do, so that a pull of minutes takes milliseconds.

The line carries 115,200 baud (10 bits a byte) each way. Of its bytes a share is dropped,
doubled, flipped, preceded by noise or held up with all that follow; it may go dead for good.
"""

import math
import random
from collections import deque

from dialbench.link.errors import LinkLost
from dialbench.link.transport import POLL_S
from dialcore import records
from dialnode.clock import Clock
from dialnode.pagelog import PageLog
from dialnode.serve import Serve

BYTE_S = 10 / 115200
START_US = 1_774_000_000_000_000
UID = bytes.fromhex("00d1a1b0a2d00001")
DIAL_HASH = bytes.fromhex("0123456789abcdef")
_STEP_S = 0.01  # the board looks at its line so often
_FIFO_S = 0.02  # and writes so far ahead
_TICKS = 0x3FFFFFFF


class Time:
    """Simulated time; the board lives by the same as the host."""

    speed = 1.0

    def __init__(self):
        self.s = 0.0

    def seconds(self):
        return self.s

    def utc_us(self):
        return START_US + round(self.s * 1e6)


class Storage:
    """Pages in memory, the oldest retired beyond a limit; `ever` keeps all there were."""

    torn = 0

    def __init__(self, pages, limit):
        self.ever = {}
        self.limit = limit
        self.newest_boot = 0
        self.first = self.next = 0
        for page in pages:
            self.append(page)

    def append(self, page):
        number, boot = records.check(page)[:2]
        assert number == self.next
        self.ever[number] = (boot, bytes(page))
        self.newest_boot = boot
        self.next += 1
        self.first = max(self.first, self.next - self.limit)

    def read(self, number):
        return self.ever[number][1] if self.first <= number < self.next else None


class SimulatedBoard:
    """Runs Serve and PageLog in steps; records come into its log as time passes."""

    uid = UID

    def __init__(self, time, storage, chance):
        self.time = time
        self.storage = storage
        self.boot = storage.newest_boot
        self._chance = chance
        self.heard = deque()  # (arrival, bytes)
        self.said = deque()
        self.faults_down = None
        self._free_s = 0.0
        self.marks = set()
        self.start()

    def start(self):
        """Power comes back: a boot later, on the same storage."""
        self.boot += 1
        self._started_s = self.time.s
        self.clock = Clock(self)
        self.log = PageLog(self.storage, self.clock, self.boot, 600_000)
        self.log.record(records.BOOT, records.pack_boot(DIAL_HASH, 33, 0, "0.1.0"))
        self._serve = Serve(self, self.clock, self.log, None, None, None, "", "0.1.0")

    def plug_in(self, faults_down):
        """Another line; what was still on its way over the one before is gone with it."""
        self.faults_down = faults_down
        self.said.clear()
        self.heard = deque(item for item in self.heard if item[0] <= self.time.s)
        self._free_s = self.time.s

    def truth_us(self, boot, device_ms):
        """The middle of the millisecond in which this boot's clock read device_ms."""
        assert boot == self.boot
        return START_US + round(self._started_s * 1e6) + device_ms * 1000 + 500

    def ticks_ms(self):
        return int((self.time.s - self._started_s) * 1000) & _TICKS

    def ticks_diff(self, later, earlier):
        return (later - earlier) & _TICKS

    def link_read(self, buffer):
        size = 0
        while self.heard and self.heard[0][0] <= self.time.s and size < len(buffer):
            at, data = self.heard.popleft()
            taken = data[: len(buffer) - size]
            buffer[size : size + len(taken)] = taken
            size += len(taken)
            if len(taken) < len(data):
                self.heard.appendleft((at, data[len(taken) :]))
        return size

    def link_write(self, data):
        now = self.time.s
        if self._free_s > now + _FIFO_S:
            return 0
        data = bytes(data[:256])
        if self.faults_down is not None:
            arriving, delay_s = self.faults_down.on(data)
            self._free_s = max(self._free_s, now) + len(data) * BYTE_S + delay_s
            self.said.append((self._free_s, arriving))
        return len(data)

    def step(self):
        self.clock.tick()
        if self._chance.random() < 0.02:
            self.log.crossing(self._chance.randrange(33), 1, 1, self.clock.offset_ms)
        self.log.flush()
        for _ in range(3):
            self._serve.step()

    def runtime(self):
        return "simulated"

    def heap_bytes(self):
        return 0

    def heap_free(self):
        return 0


class ByteFaults:
    """Faults at a share of all bytes, in one direction. counts: of each kind, how many."""

    kinds = ("drop", "double", "flip", "insert", "delay")

    def __init__(self, chance, share, counts):
        self._chance = chance
        self._share = share
        self._counts = counts
        self._until = self._next()

    def _next(self):
        """Bytes before the next fault: geometric."""
        if not self._share:
            return math.inf
        return int(math.log(1.0 - self._chance.random()) / math.log(1.0 - self._share))

    def on(self, data):
        """(what arrives of data, seconds by which it is late)."""
        chance = self._chance
        out = bytearray()
        delay_s = 0.0
        at = 0
        while at + self._until < len(data):
            bad = at + self._until
            out += data[at:bad]
            at = bad + 1
            kind = chance.choice(self.kinds)
            self._counts[kind] += 1
            if kind == "double":
                out += data[bad:at] * 2
            elif kind == "flip":
                out.append(data[bad] ^ 1 << chance.randrange(8))
            elif kind == "insert":
                out += chance.randbytes(chance.randrange(1, 4)) + data[bad:at]
            elif kind == "delay":
                out += data[bad:at]
                delay_s += chance.choice((0.02, 0.2, 1.5))
            self._until = self._next()
        self._until -= len(data) - at
        out += data[at:]
        return bytes(out), delay_s


class SimulatedLine:
    """The host's end. Dead after `life` bytes towards it; `reboot` is another such number,
    after which the board loses its power for a moment."""

    alone = True

    def __init__(self, board, faults_up, faults_down, life=math.inf, reboot=math.inf):
        self._board = board
        self._faults_up = faults_up
        self._life = life
        self._reboot = reboot
        self._free_s = 0.0
        self.received = 0
        board.plug_in(faults_down)

    def send(self, data):
        self._living()
        now = self._board.time.s
        arriving, delay_s = self._faults_up.on(data)
        self._free_s = max(self._free_s, now) + len(data) * BYTE_S + delay_s
        self._board.heard.append((self._free_s, arriving))

    def receive(self):
        board, time = self._board, self._board.time
        until_s = time.s + POLL_S
        while time.s < until_s:
            self._living()
            if board.said and board.said[0][0] <= time.s:
                data = board.said.popleft()[1]
                self.received += len(data)
                if self.received >= self._reboot:
                    self._reboot = math.inf
                    board.start()
                return data
            time.s += _STEP_S
            board.step()
        return b""

    def _living(self):
        if self.received >= self._life:
            raise LinkLost("the board is gone")

    def close(self):
        self._board.faults_down = None


def pages(count, seed):
    """A log of pages of all lengths."""
    chance = random.Random(f"log {seed}")
    out = []
    for number in range(count):
        writer = records.PageWriter()
        writer.start(0)
        for i in range(chance.choice((1, 5, 30, 60, 150, 400))):
            if not writer.crossing(chance.randrange(33), i % 3, i & 1, i * 1000):
                break
        out.append(bytes(writer.sealed(number, 1, number * 600_000)))
    return out
