"""What is fuzzed: one function for each input that comes from outside, of a fuzzer's bytes.

A target returns for whatever it is given, in time, and keeps nothing of it. Where an input is
refused, it is with one of our own errors, in sentences that can be shown; any other error is
a finding. For most inputs checksums and lengths are put right, so that what stands behind
them is reached.
"""

import shutil
import sqlite3
import struct
import tempfile
import tomllib
import zlib
from contextlib import closing
from types import SimpleNamespace

from tests.dual.benchboard import BenchBoard
from tests.fuzz import targets_link
from tests.fuzz.documents import bent

from dialbench import dialfile, foreign, tomlfile, wishfile
from dialbench.aperture import sweep
from dialbench.clock import Mark
from dialbench.dial import DialError
from dialbench.errors import UserError, inert
from dialbench.link import facts
from dialbench.store import Store, StoreError, database, decoding
from dialbench.store.observed import PageEvents, observed
from dialcore import framing, messages, records
from dialnode.node import Node

_LONGEST = 100_000  # characters that a refusal may take


def _shown(wrong):
    """Whatever is said about an input can be shown, and is not without bounds."""
    # Of many mistakes in a file the first forty are told, see dialfile.
    text = "\n".join(wrong.problems[:40]) if isinstance(wrong, DialError) else str(wrong)
    assert len(text) < _LONGEST, len(text)
    for line in text.splitlines():
        inert(line).encode("utf-8")


# -- the line: frames and what is said in them, on the host and on the board

_HOST_READERS = (
    facts.Hello.read,
    facts.Status.read,
    facts.Live.read,
    messages.unpack_number,
    messages.unpack_fetch,
    messages.unpack_mark,
)


def frames(data):
    """A stream of bytes to the host's decoder, and what its frames hold to their readers."""
    decoder = framing.Decoder()
    limit = 2 * framing.MAX_BODY
    bodies = []
    if data[:1] and data[0] & 1:  # frames whose CRC holds
        for piece in data[1:].split(b"\xff\x00\xff")[:20]:
            bodies += decoder.received(framing.encode(piece[: framing.MAX_BODY]))
        assert decoder.bad == 0
    else:
        step = 1 + (data[0] if data else 0)
        for at in range(1, len(data), step):
            bodies += decoder.received(data[at : at + step])
            assert len(decoder._buffer) <= limit
    # It never sticks: the next good frame is heard whatever came before.
    assert decoder.received(framing.encode(b"\x02\x07"))[-1:] == [b"\x02\x07"]
    for body in bodies:
        if len(body) < 2:
            continue  # a bad frame, to both sides
        for read in _HOST_READERS:
            try:
                read(messages.split(body)[3])
            except ValueError as wrong:
                _shown(wrong)
        assert facts.text_of(body[3:]).isprintable()


class _Board:
    """The whole firmware on a board in memory that lives as long as the process."""

    def __init__(self):
        self.folder = tempfile.mkdtemp(prefix="dialbench-fuzz-")
        self.board = BenchBoard(self.folder)
        self.node = Node(self.board)

    def hears(self, data):
        self.board.heard = data
        self.board.said = b""
        self.board.running = True
        self.node.run()
        said = self.board.said
        self.board.said = b""
        if self.node._serve.released:
            self.node._serve.released = False
        return said


_board = None
_SESSION = 0x0605
_ASK = messages.pack_ask_hello(_SESSION, True)
_GREETING = framing.encode(messages.body(messages.HELLO, 9, _ASK))
_GREETED = bytes((messages.HELLO | messages.ANSWER, 9))  # these stand unchanged in its frame


def board(data):
    """A stream of bytes to the firmware's own decoder; it answers all it understands."""
    global _board
    if _board is None:
        _board = _Board()
    if data[:1] and data[0] & 1:  # frames whose CRC holds, of a session that it knows
        heard = _GREETING
        for piece in data[1:].split(b"\xff\x00\xff")[:8]:
            if len(piece) > 1:
                said = piece[2 : framing.MAX_BODY - 2]
                heard += framing.encode(messages.body(piece[0], piece[1], said, _SESSION))
    else:
        heard = data[:4000]
    _board.hears(heard)
    # Whatever came before, RELEASE too, after which a program is started anew: it answers who
    # comes next.
    assert _GREETED in _board.hears(b"\0" + _GREETING)


# -- pages


def page(data):
    """One page to the decoder, as it came or with header and CRC put right."""
    if data[:1] and data[0] & 3:
        body = data[1 : 1 + records.MAX_PAGE - 28]
        count = body[0] if body else 0
        head = struct.pack(
            "<2sBBIIQHH",
            b"DL",
            records.VERSION,
            records.TICK_MS,
            7,
            3,
            10 * count,
            len(body),
            count,
        )
        raw = head + body
        raw += struct.pack("<I", zlib.crc32(raw))
    else:
        raw = data
    found = decoding.decode(raw)
    assert len(found.crossings) + len(found.events) <= len(raw)
    for _, device_ms, channel, threshold, rise in found.crossings:
        assert abs(device_ms) <= decoding.LIMIT and 0 <= channel < 128
        assert threshold in (0, 1, 2) and rise in (0, 1)
    _shown(found.problem)
    events = [(at, tag, payload) for _, at, tag, payload in found.events]
    for start, end in observed([PageEvents(7, found.last_ms, events)]):
        assert start < end


# -- files that users write

SMALL_DIAL = """
format = 1
name = "small"
[site]
name = "Gannet Holm"
latitude_deg = 41.2
longitude_deg = -16.4
elevation_m = 24
zone = "-01:00"
[[site.horizon]]
azimuth_deg = 10
altitude_deg = 5
[face]
kind = "listed"
[[face.channel]]
y_mm = 0
z_mm = 0
column = 0
row = 0
[[face.step]]
start = "12:00"
spells = "12:00"
channels = [0]
[plan]
time = "zone"
start = "12:00"
step_min = 15
steps = 1
design_date = 2027-04-16
[body]
shape = "half-cylinder"
radius_mm = 113
length_mm = 266
depth_mm = 50
wall_mm = 0.4
[limits]
duty = 0.5
season_deg = [-3, 3]
[[bore]]
channel = 0
hour_angle_deg = 0
declination_deg = 0
shape = "round"
exit_mm = 1
entry_mm = 2
length_mm = 50
"""
SMALL_SPEC = """
format = 1
name = "small"
[site]
name = "Gannet Holm"
latitude_deg = 41.2
longitude_deg = -16.4
elevation_m = 24
zone = "-01:00"
[face]
kind = "patterns"
cells = ["##"]
[[face.step]]
pixels = ["#."]
[[face.step]]
pixels = [".#"]
[plan]
time = "zone"
start = "11:30"
step_min = 30
steps = 2
[envelope]
width_mm = 150
length_mm = 150
height_mm = 80
[process]
kind = "drill"
wall_mm = 0.4
drills_mm = [1, 2]
[wish]
duty = 0.95
season_deg = [-3, 3]
"""
_DIAL = tomllib.loads(SMALL_DIAL)
_UNIFORM = {key: value for key, value in _DIAL.items() if key != "bore"}
_UNIFORM["bores"] = {"generated": "uniform", "exit_mm": 0.5, "taper_deg": 1, "opening_deg": 48}
_SPEC = tomllib.loads(SMALL_SPEC)


def _file(data, what, max_bytes, read):
    """The layers of a TOML file: its bytes, its text, or (read) what a parsed one says."""
    kind = data[0] % 4 if data else 0
    try:
        if kind == 0:
            source = SimpleNamespace(open=lambda mode: _Bytes(data[1:]))
            tomlfile.parse_text(tomlfile.read_text(source, what, max_bytes), "x", what)
        else:
            read(data)
    except UserError as wrong:
        _shown(wrong)


class _Bytes:
    """What a file's open() gives, of bytes at hand."""

    def __init__(self, data):
        self._data = data

    def __enter__(self):
        return self

    def __exit__(self, *told):
        pass

    def read(self, size):
        return self._data[:size]


def _part(document, choice):
    """A document, or only two of its tables, as each takes its time; what is missing is told."""
    if choice & 0x60 == 0:
        return document
    tables = [key for key, value in document.items() if isinstance(value, dict | list)]
    first = (choice >> 5) % len(tables)
    kept = {tables[first], tables[first - 1]}
    return {key: value for key, value in document.items() if key not in tables or key in kept}


def dial(data):
    """A dial.toml: as bytes, or as a parsed document with some of its values changed."""

    def read(data):
        found = dialfile._dial(bent(_part(_UNIFORM if data[0] & 4 else _DIAL, data[0]), data[1:]))
        if data[0] & 0x78 == 0x18:
            try:
                assert dialfile.parse(dialfile.dump(found), "x") == found
            except DialError as wrong:
                # The rules of a file are not those of a dial: it may have no file.
                _shown(wrong)

    _file(data, "dial.toml", dialfile.MAX_BYTES, read)


def spec(data):
    """A layout spec: as bytes, or as a parsed document with some of its values changed."""

    def read(data):
        document = bent(_part(_SPEC, data[0]), data[1:])
        if data[0] & 0x1C:
            # Where the Sun stands takes ten times as long as all the rest: without a site
            # it is not asked for.
            document.pop("site", None)
        wishfile._wish(document)

    _file(data, "layout spec", wishfile.MAX_BYTES, read)


CSV = b"""utc,channel,threshold,direction,sigma_s
2027-04-16T12:00:00.250Z,3,0.25,rise,0.05
2027-04-16T12:00:10Z,3,0.50,fall,
"""
_SPANS = b"start,end\n2027-04-16T09:00:00Z,2027-04-16T13:00:00Z\n"


def csv(data):
    """The two files of a log of another make; one of them or both out of the data."""
    kind = data[0] % 4 if data else 0
    rest = data[1:]
    if kind == 0:
        files = rest, _SPANS
    elif kind == 1:
        files = CSV, b"start,end\n" + rest
    elif kind == 2:
        files = CSV + rest, _SPANS
    else:
        one, _, other = rest.partition(b"\xff\xff")
        files = b"utc,channel,threshold,direction\n" + one, other
    try:
        log = foreign.parse(files[0], "a.csv", files[1], "b.csv", 33)
    except UserError as wrong:
        _shown(wrong)
        return
    assert len(log.hash("a" * 16)) == 16
    assert all(start < end for start, end in log.observed)
    assert not len(log.channel) or 0 <= log.channel.min() <= log.channel.max() < 33


SWEEP = b"""angle_deg,channel,level,utc,height_mm
10.5,3,0.25,2027-04-16T12:00:00.250Z,-20
-1e1,32,-0.5e-1,2027-04-16T12:00:01Z,
"""


def swept(data):
    """A sweep's file, before a lamp or under the Sun; or one whose heading is sound."""
    sun = bool(data[:1]) and data[0] & 1 == 1
    raw = data[1:]
    if data[:1] and data[0] & 2:
        raw = (b"utc,channel,level\n" if sun else b"angle_deg,channel,level\n") + raw
    try:
        found = sweep.parse(raw, "a.csv", 33, sun)
    except UserError as wrong:
        _shown(wrong)
        return
    assert len(found) and 0 <= found.channel.min() <= found.channel.max() < 33
    assert found.angle is None or set(found.turning.tolist()) <= {-1, 0, 1}


# -- the store's file


def a_small_store():
    """A sound store as a file's bytes; its pages are small, so that a change hits something."""
    connection = sqlite3.connect(":memory:", isolation_level=None)
    connection.execute("PRAGMA page_size = 512")
    opened = database.Database(connection, "seed")
    opened.prepare()
    with closing(opened):
        store = Store(opened)
        uid = "00d1a1b0a2d00001"
        store.add_board(
            SimpleNamespace(
                uid=uid,
                dial_hash="0123456789abcdef",
                channels=33,
                firmware="0",
                runtime="",
                heap_bytes=0,
            ),
            "name = 'x'",
        )
        for number in range(2):
            writer = records.PageWriter()
            writer.start(0)
            writer.record(records.GATE, 0, records.pack_gate(1, 9))
            writer.record(records.MARK, 5, records.pack_mark(5, 1_774_000_000_000_000, 9))
            writer.crossing(3, 1, 1, 20)
            store.add_page(uid, bytes(writer.sealed(number, 1, 1000 * number)))
        store.add_mark(uid, Mark(1, 7, 1_774_000_000_000_000, 9, "link"))
        store.add_status(
            uid,
            SimpleNamespace(boot=1, device_ms=9, first_page=0, next_page=3, torn_pages=0),
        )
        store.foreign.add(foreign.parse(CSV, "a", _SPANS, "b", 33), "a" * 16, "name = 'y'", 33)
        return connection.serialize()


_STORE = a_small_store()


def store(data):
    """A store's file with some of its bytes changed, opened and asked everything."""
    if data[:1] == b"\xff":
        image = data[1:]
    else:
        changed = bytearray(_STORE)
        for at in range(1, min(len(data), 120) - 2, 3):
            changed[(data[at] << 8 | data[at + 1]) % len(changed)] = data[at + 2]
        image = bytes(changed)
    if not image:
        return
    connection = sqlite3.connect(":memory:", isolation_level=None)
    try:
        connection.deserialize(image)
        opened = database.Database(connection, "x")
        opened.prepare()
        _asked(Store(opened), data)
    except StoreError as wrong:
        _shown(wrong)
    except sqlite3.Error:
        raise AssertionError("SQLite's own error came through") from None
    finally:
        connection.close()


def _asked(found, data):
    """What a store is asked for: all of it, or a seventh; each question by itself, as one
    that fails ends it."""
    questions = [found.outdated, found.strays, found.foreign.logs]
    for board in found.boards():
        for ask in (found.crossings, found.events, found.observed, found.marks, found.losses):
            questions.append(lambda ask=ask, uid=board.uid: ask(uid))
        questions.append(lambda uid=board.uid: found.missing(uid, 0, 10))
    questions.append(lambda: [found.foreign.get(log.hash) for log in found.foreign.logs()])
    questions.append(lambda: [found.decoded(page.page) for page in found.raw_pages()])
    if data[:1] and data[0] & 15 == 7:
        questions.append(found.redecode)
    part = data[0] >> 4 & 7 if data else 7
    for question in questions if part == 7 else questions[part::7]:
        try:
            question()
        except StoreError as wrong:
            _shown(wrong)


def put_away():
    """Remove what the targets keep on disk."""
    global _board
    if _board is not None:
        shutil.rmtree(_board.folder, ignore_errors=True)
        _board = None


TARGETS = {
    "frames": frames,
    "board": board,
    "page": page,
    "dial": dial,
    "spec": spec,
    "csv": csv,
    "sweep": swept,
    "store": store,
    **targets_link.TARGETS,
}


def seeds(name):
    """Inputs to begin from: some that are sound, and some that are nearly."""
    if name in targets_link.TARGETS:
        return targets_link.seeds(name)
    if name in ("frames", "board"):
        asked = [
            messages.body(kind, 7, payload, _SESSION)
            for kind, payload in (
                (messages.HELLO, _ASK),
                (messages.STATUS, b""),
                (messages.MARK, messages.pack_mark(1, 5, 1_774_000_000_000_000, 9)),
                (messages.FETCH, messages.pack_fetch(0, 32)),
                (messages.SEAL, b""),
                (messages.STREAM, b"\xfa\0"),
                (messages.RELEASE, b""),
                (messages.BYE, b""),
            )
        ]
        told = [messages.body(messages.HELLO | messages.ANSWER, 7, bytes(120))]
        told.append(messages.body(messages.STATUS | messages.ANSWER, 7, bytes(60), _SESSION))
        return [
            *(b"\1" + body for body in asked + told),
            *(b"\0" + framing.encode(body) for body in asked + told),
            b"\1" + b"\xff\0\xff".join(asked),
        ]
    if name == "page":
        writer = records.PageWriter()
        writer.start(0)
        writer.record(records.BOOT, 0, records.pack_boot(bytes(8), 33, 0, "0.1.0"))
        writer.record(records.GATE, 9, records.pack_gate(1, 9))
        writer.crossing(3, 1, 1, 20)
        writer.record(0x55, 900_000, b"new")
        whole = bytes(writer.sealed(7, 3, 0))
        return [whole, b"\1" + bytes([writer.count]) + whole[24:-4], b"\0" + whole]
    if name == "dial":
        return [b"\0" + SMALL_DIAL.encode(), b"\1", b"\5", b"\1\0\0\0", b"\x0d\4\7\0", b"\x09"]
    if name == "spec":
        return [b"\0" + SMALL_SPEC.encode(), b"\1", b"\1\0\0\0", b"\1\4\7\0"]
    if name == "csv":
        return [b"\0" + CSV, b"\1" + _SPANS[10:], b"\2" + CSV[40:], b"\3" + CSV[40:]]
    if name == "sweep":
        rows = SWEEP.partition(b"\n")[2]
        return [b"\0" + SWEEP, b"\1" + SWEEP, b"\2" + rows, b"\2" + b"10,3,0.1\n9,3,0.2\n"]
    return [b"\0", b"\0\0\x10\7", b"\7\1\0\1\2\0\2", b"\xff" + _STORE[:2000]]
