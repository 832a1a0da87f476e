"""The link under a fuzzer's bytes: a host whose board says anything, a board whose host does.

A target returns for whatever it is given; what it asserts holds for every input.
"""

import random
import struct
from contextlib import nullcontext

from tests.faults.simulation import UID, SimulatedBoard, Storage, Time, pages

from dialbench.errors import UserError
from dialbench.link import Board
from dialbench.link.exchange import ANSWER_S, LIVE_KEPT
from dialbench.link.transport import POLL_S
from dialbench.store.numbering import gaps
from dialcore import framing, messages, records

SESSION = 0x0605
PAGES = 8
_LOG = pages(PAGES, 1)
_HELLO = messages.pack_hello(33, 1, 5, UID, bytes(8), 0, "0.1.0", "fuzz", "")


class _Bytes:
    """A fuzzer's bytes, taken from the front; zeros when they are used up."""

    def __init__(self, data):
        self.left = data

    def take(self, size):
        out, self.left = self.left[:size], self.left[size:]
        return out

    def one(self):
        return self.take(1)[0] if self.left else 0


class _Puppet:
    """A line to a board that answers each request as the fuzzer's bytes say: properly, with a
    payload of theirs, with anything at all."""

    alone = True

    def __init__(self, data, time):
        self._data = _Bytes(data)
        self._time = time
        self._decoder = framing.Decoder()
        self._waiting = b""

    def send(self, data):
        for body in self._decoder.received(data):
            kind, sequence, session, payload = messages.split(body)
            for _ in range(1 + self._data.one() % 4):
                self._waiting += self._said(kind, sequence, session or SESSION, payload)

    def _said(self, kind, sequence, session, payload):
        choice = self._data.one()
        size = self._data.one()
        if choice < 110:
            told = self._proper(kind, payload)
            bodies = [messages.body(got, sequence, said, session) for got, said in told]
            # All of it, or what a line leaves of it.
            return b"".join(map(framing.encode, bodies[choice % 5 :] if choice > 60 else bodies))
        if choice < 140:
            said = self._data.take(size)
            return framing.encode(messages.body(kind | messages.ANSWER, sequence, said, session))
        if choice < 180:
            page = _LOG[size % len(_LOG)]
            number = struct.pack("<I", size if choice < 175 else self._data.one())
            return framing.encode(messages.body(messages.PAGE, sequence, number + page, session))
        if choice < 200:
            said = self._data.take(size)
            kinds = (messages.REFUSED, messages.LIVE, messages.PAGE, messages.TRACED, 0x3C)
            return framing.encode(messages.body(kinds[choice % 5], sequence, said, session))
        if choice < 220:
            return framing.encode(self._data.take(size))
        return self._data.take(size)

    def _proper(self, kind, payload):
        answer = b""
        if kind == messages.HELLO:
            answer = _HELLO
        elif kind == messages.STATUS:
            answer = messages.pack_status(1, 5, 0, len(_LOG), *[0] * 10)
        elif kind == messages.FETCH:
            first, count = messages.unpack_fetch(payload)
            sent = range(first, min(first + count, len(_LOG)))
            for number in sent:
                yield messages.PAGE, messages.pack_number(number) + _LOG[number]
            answer = messages.pack_fetch(sent.stop, len(sent))
        elif kind == messages.SEAL:
            answer = messages.pack_number(len(_LOG))
        yield kind | messages.ANSWER, answer

    def receive(self):
        # Silence lasts: nobody needs to look at it twenty times a second.
        self._time.s += POLL_S if self._waiting else ANSWER_S
        out, self._waiting = self._waiting[:4096], self._waiting[4096:]
        return out

    def close(self):
        pass


class _Kept:
    """As much of a store as a pull asks of it, in memory."""

    def __init__(self):
        self.pages = {}

    def add_board(self, hello):
        assert hello.firmware.isprintable() and hello.trouble.isprintable()

    def add_status(self, uid, status):
        pass

    def add_mark(self, uid, mark):
        assert 0 <= mark.sigma_us <= 0xFFFFFFFF

    def writing(self):
        return nullcontext()

    def missing(self, uid, first, next):
        return gaps(sorted(self.pages), first, next)

    def add_page(self, uid, raw):
        number = records.check(raw)[0]
        fresh = number not in self.pages
        self.pages[number] = raw
        return fresh


def link_host(data):
    """A pull from a board that says anything: it ends, complete or with one of our own errors,
    and keeps sound pages only, so many as this returns."""
    time = Time()
    store = _Kept()
    try:
        with Board(_Puppet(data, time), "fuzz", time, time.seconds) as board:
            try:
                board.pull(store)
                board.stream(100)
                board.live(0.2)
                board.trace(50)
                board.traced(0.2)
            finally:
                assert len(board._exchange._live) <= LIVE_KEPT
                assert len(board._exchange._traced) <= LIVE_KEPT
                assert len(board._exchange._waiting) <= messages.FETCHES
    except UserError as wrong:
        assert "\n" not in str(wrong) and str(wrong).isprintable()
    assert all(records.check(raw)[0] == number for number, raw in store.pages.items())
    return len(store.pages)


class _Listener(SimulatedBoard):
    """A board whose line takes all it says at once."""

    def __init__(self, storage):
        super().__init__(Time(), storage, random.Random(1))
        self.spoken = b""

    def link_write(self, data):
        self.spoken += bytes(data)
        return len(data)

    def hears(self, data):
        """What it says to that."""
        self.spoken = b""
        for at in range(0, len(data), 200):
            self.heard.append((self.time.s, data[at : at + 200]))
        while self.heard or self._serve.busy:
            self.time.s += 0.01
            self.step()
            assert len(self._serve._decoder._buffer) <= 1209
        return [messages.split(body) for body in framing.Decoder().received(self.spoken)]


def link_board(data):
    """A host that says anything, in a session or not: the board still serves the next one, and
    its log is what it was, with sound pages added at most."""
    storage = Storage(_LOG, 1 << 30)
    board = _Listener(storage)
    stream = _Bytes(data)
    said = framing.encode(messages.body(messages.HELLO, 1, messages.pack_ask_hello(SESSION, True)))
    while stream.left:
        choice, size = stream.one(), stream.one()
        if choice < 180:
            body = messages.body(choice % 10, size, stream.take(stream.one() % 16), SESSION)
            said += framing.encode(body)
        elif choice < 200:
            said += framing.encode(stream.take(size))
        else:
            said += stream.take(size)
    board.hears(said)
    ask = framing.encode(messages.body(messages.HELLO, 2, messages.pack_ask_hello(7, True)))
    ask += framing.encode(messages.body(messages.STATUS, 3, b"", 7))
    told = [(kind, number) for kind, number, _, _ in board.hears(b"\0" + ask)]
    assert (messages.HELLO | messages.ANSWER, 2) in told
    assert (messages.STATUS | messages.ANSWER, 3) in told
    assert [storage.ever[n][1] for n in range(len(_LOG))] == _LOG
    assert storage.next - len(_LOG) <= len(data)


TARGETS = {"link_host": link_host, "link_board": link_board}


def seeds(name):
    """Inputs to begin from."""
    if name == "link_host":
        return [bytes(400), bytes((0, 100, 0, 0)) * 100, bytes(range(256)) * 4]
    asked = [
        (messages.STATUS, b""),
        (messages.FETCH, messages.pack_fetch(0, 32)),
        (messages.MARK, messages.pack_mark(2, 5, 1_774_000_000_000_000, 9)[:15]),
        (messages.SEAL, b""),
        (messages.STREAM, b"\xfa\0"),
        (messages.BYE, b""),
    ]
    return [b"".join(bytes((kind, 9, len(payload))) + payload for kind, payload in asked), b""]
