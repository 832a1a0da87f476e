"""A stand-in for a board, built on dialcore alone, and lines to reach it by: in memory with
any faults wanted, over a pseudo-terminal, over TCP."""

import os
import pty
import random
import select
import socket
import sqlite3
import struct
import threading
import tty
from contextlib import closing, contextmanager

from dialbench.link.errors import LinkLost
from dialbench.link.transport import POLL_S
from dialcore import framing, messages, records

UID = bytes.fromhex("00d1a1b0a2d00001")
DIAL_HASH = bytes.fromhex("0123456789abcdef")
START_US = 1_774_000_000_000_000


def page(number, boot=1, base_ms=None, entries=()):
    """One page. An entry is (device_ms, channel, threshold, rise) or (device_ms, tag, payload)."""
    base_ms = number * 600_000 if base_ms is None else base_ms
    writer = records.PageWriter()
    writer.start(0)
    for device_ms, *entry in entries:
        if len(entry) == 3:
            assert writer.crossing(*entry, device_ms - base_ms)
        else:
            assert writer.record(entry[0], device_ms - base_ms, entry[1])
    return bytes(writer.sealed(number, boot, base_ms))


def log(count, boot=1, first=0, seed=0):
    """Pages of crossings, by number."""
    chance = random.Random(f"{boot} {seed}")
    return {
        number: page(
            number,
            boot,
            entries=[
                (number * 600_000 + i * 2500, chance.randrange(33), i % 3, i & 1)
                for i in range(chance.randrange(1, 60))
            ],
        )
        for number in range(first, first + count)
    }


class BoardDouble:
    """Holds pages and answers as a board does. `asked` lists the requests, `sent` the page
    numbers that went out; `late` answers are held back until the next request."""

    def __init__(self, pages=None, boot=1, clock_ms=lambda: 0):
        self.pages = dict(pages or {})
        self.boot = boot
        self.first = min(self.pages, default=0)
        self.next = max(self.pages, default=-1) + 1
        self.unsealed = {}  # what SEAL adds to the pages
        self.clock_ms = clock_ms
        self.asked = []
        self.sent = []
        self.marks = []
        self.hello = {"protocol": (2, 2), "page_version": 1, "trouble": "", "firmware": "0.1.0"}
        self.refusing = {}  # kind: text
        self.streaming = 0
        self.tracing = 0
        self.old = ()  # types of message that this firmware does not know yet
        self.released = False
        self.session = 0
        self._decoder = framing.Decoder()

    def answer_to(self, data):
        """Frames in answer to bytes from the host, one by one."""
        out = []
        for body in self._decoder.received(data):
            if len(body) >= 2 and not self.released:
                out += self._request(*messages.split(body))
        return out

    def _request(self, kind, sequence, session, payload):
        self.asked.append(kind)
        refusal = self._refusal(kind, session, payload)
        if refusal is not None:
            return [framing.encode(messages.body(messages.REFUSED, sequence, refusal))]
        frames = []
        for got, told in self._told(kind, payload):
            frames.append(framing.encode(messages.body(got, sequence, told, self.session)))
        return frames

    def _refusal(self, kind, session, payload):
        """What is said to a request that is not met; None where it is."""
        if kind in self.old:
            return bytes((messages.UNKNOWN_REQUEST,)) + b"request %d is not known" % kind
        if kind in self.refusing:
            return bytes((messages.BAD_REQUEST,)) + self.refusing[kind].encode()
        if kind != messages.HELLO:
            return None if session == self.session else bytes((messages.NO_SESSION,))
        _, _, asking, alone = messages.unpack_ask_hello(payload)
        if self.session not in (0, asking) and not alone:
            return bytes((messages.BUSY,)) + b"another program has talked to this board for 83 s"
        self.session = asking
        return None

    def _told(self, kind, payload):
        answer = kind | messages.ANSWER
        if kind == messages.HELLO:
            yield answer, self._hello()
        elif kind == messages.STATUS:
            yield answer, self.status()
        elif kind == messages.MARK:
            self.marks.append(messages.unpack_mark(payload))
            yield answer, b""
        elif kind == messages.FETCH:
            first, count = messages.unpack_fetch(payload)
            number = max(first, self.first)
            stop = min(first + min(count, 32), self.next)
            found = [n for n in range(number, stop) if n in self.pages]
            for n in found:
                self.sent.append(n)
                yield messages.PAGE, messages.pack_number(n) + self.pages[n]
            yield answer, messages.pack_fetch(max(stop, number), len(found))
        elif kind == messages.SEAL:
            self.pages.update(self.unsealed)
            self.next = max(self.next, *(n + 1 for n in self.unsealed), 0)
            yield answer, messages.pack_number(self.next)
        elif kind == messages.STREAM:
            self.streaming = payload[0] | payload[1] << 8
            yield answer, b""
        elif kind == messages.TRACE:
            self.tracing = payload[0] | payload[1] << 8
            yield answer, b""
        elif kind == messages.RELEASE:
            self.released = True
            yield answer, b""
        elif kind == messages.BYE:
            self.session = 0

    def _hello(self):
        told = messages.pack_hello(
            33,
            self.boot,
            self.clock_ms(),
            UID,
            DIAL_HASH,
            131072,
            self.hello["firmware"],
            "MicroPython",
            self.hello["trouble"],
        )
        return bytes((*self.hello["protocol"], self.hello["page_version"])) + told[3:]

    def status(self):
        return messages.pack_status(
            self.boot,
            self.clock_ms(),
            self.first,
            self.next,
            self.first,
            2,
            0,
            0,
            0,
            9,
            4,
            1,
            33,
            0,
        )

    def live(self, device_ms=0, levels=bytes(9)):
        """A LIVE frame of 33 channels."""
        told = messages.pack_live(self.boot, device_ms, 1, 33, 40000, 0, levels)
        return framing.encode(messages.body(messages.LIVE, 0, told, self.session))

    def traced(self, device_ms=0, angle=0, state=0, levels=(0,) * 33, dropped=0):
        """A TRACED frame."""
        packed = struct.pack(f"<{len(levels)}h", *levels)
        told = messages.pack_traced(
            self.boot, device_ms, 1, len(levels), dropped, angle, state, packed
        )
        return framing.encode(messages.body(messages.TRACED, 0, told, self.session))


class Time:
    """A clock that only moves when told: seconds, and UTC that runs beside them."""

    def __init__(self, speed=1.0):
        self.s = 0.0
        self.speed = speed

    def seconds(self):
        return self.s

    def utc_us(self):
        return START_US + round(self.s * self.speed * 1e6)

    def device_ms(self):
        return int(self.s * self.speed * 1000)


def utc_us_when_reading(device_ms):
    """The middle of the millisecond in which the double's clock reads device_ms."""
    return START_US + device_ms * 1000 + 500


class Faults:
    """What a bad line does to frames: each with its own share of them, 0..1."""

    def __init__(self, seed, drop=0.0, flip=0.0, double=0.0, insert=0.0, late=0.0):
        self.chance = random.Random(seed)
        self.drop, self.flip, self.double = drop, flip, double
        self.insert, self.late = insert, late

    def on(self, frame):
        """What of one frame arrives, in bytes."""
        chance = self.chance
        if chance.random() < self.drop:
            return frame[: chance.randrange(len(frame))] if chance.random() < 0.5 else b""
        if chance.random() < self.double:
            frame = frame * 2
        data = bytearray(frame)
        if chance.random() < self.flip:
            data[chance.randrange(len(data))] ^= 1 << chance.randrange(8)
        if chance.random() < self.insert:
            at = chance.randrange(len(data) + 1)
            data[at:at] = chance.randbytes(chance.randrange(1, 9))
        return bytes(data)


class DirectLine:
    """A line to a double in memory. Time stands still but for the byte_s each byte takes and
    for silence, POLL_S at a time; after `life` bytes to the host the far end is gone."""

    alone = True

    def __init__(self, double, time, faults=None, life=None, byte_s=0.0):
        self.double = double
        self.time = time
        self.faults = faults or Faults(0)
        self.life = life
        self.byte_s = byte_s
        self.closed = False
        self.waiting = b""
        self._held = b""

    def send(self, data):
        self._living()
        frames = self.double.answer_to(self.faults.on(data))
        self.waiting += self._held
        self._held = b""
        for frame in frames:
            arriving = self.faults.on(frame)
            if self.faults.chance.random() < self.faults.late:
                self._held += arriving
            else:
                self.waiting += arriving

    def receive(self):
        self._living()
        if not self.waiting:
            self.time.s += POLL_S
            return b""
        size = self.faults.chance.randrange(1, 700)
        data, self.waiting = self.waiting[:size], self.waiting[size:]
        self.time.s += len(data) * self.byte_s
        if self.life is not None:
            self.life -= len(data)
        return data

    def _living(self):
        if self.life is not None and self.life <= 0:
            raise LinkLost("the board is gone")

    def close(self):
        self.closed = True


@contextmanager
def on_pty(double):
    """The double behind a pseudo-terminal: yields (its name, a function that unplugs it)."""
    far, near = pty.openpty()
    tty.setraw(near)  # held open here too: a terminal that nobody holds hangs up
    line = os.fdopen(far, "r+b", buffering=0)
    try:
        with _served(double, lambda: line, line.read, line.write, line.close) as unplug:
            yield os.ttyname(near), unplug
    finally:
        os.close(near)


@contextmanager
def on_tcp(double):
    """The double behind a TCP port: yields (its address, a function that unplugs it)."""
    server = socket.create_server(("127.0.0.1", 0))
    address = f"socket://127.0.0.1:{server.getsockname()[1]}"
    far = []

    def receive(size):
        if not far:
            far.append(server.accept()[0])
        return far[0].recv(size)

    def hang_up():
        for end in (server, *far):
            end.close()

    with _served(
        double,
        lambda: far[0] if far else server,
        receive,
        lambda data: far[0].sendall(data),
        hang_up,
    ) as unplug:
        yield address, unplug


@contextmanager
def _served(double, source, receive, send, hang_up):
    """A thread that answers for the double until it is unplugged or the host hangs up."""
    stop, stopping = os.pipe()

    def serve():
        try:
            while stop not in select.select([source(), stop], [], [])[0]:
                data = receive(4096)
                if not data:
                    break
                for frame in double.answer_to(data):
                    send(frame)
        except OSError:
            pass  # the host hung up first
        finally:
            hang_up()

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()

    def unplug():
        os.write(stopping, b"!")
        thread.join(10)

    try:
        yield unplug
    finally:
        unplug()
        os.close(stop)
        os.close(stopping)
        assert not thread.is_alive()


def stored(path):
    """Raw pages of a store by (boot, number), read past the code under test."""
    with closing(sqlite3.connect(path)) as file:
        return {
            (boot, number): raw
            for boot, number, raw in file.execute("SELECT boot, number, raw FROM page")
        }
