"""SPEC.md is true: its example page and frames, and every field it lays down."""

import ast
import json
import re
import struct
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest
from tests import stranger
from tests.board_double import log, stored

import dialcore
from dialbench import dialfile
from dialbench.link import Board
from dialbench.link.transport import open_line
from dialbench.sky import to_us
from dialbench.store import Store
from dialbench.virtual.clouds import Clear
from dialbench.virtual.process import VirtualDial
from dialbench.virtual.truth import Truth
from dialcore import examining, framing, messages, records
from dialcore.crossing import ALL, LEAN

SPEC = (Path(dialcore.__file__).parent / "SPEC.md").read_text()
NAMES = {
    "BOOT": records.BOOT,
    "GATE": records.GATE,
    "SNAPSHOT": records.SNAPSHOT,
    "MARK": records.MARK,
    "OVERFLOW": records.OVERFLOW,
    "BLIND": records.BLIND,
    "SETUP": records.SETUP,
    "HEALTH": records.HEALTH,
    "RTC": records.RTC,
    "RTC_FAULT": records.RTC_FAULT,
    "SWEEP": records.SWEEP,
}
VECTORS = json.loads((Path(dialcore.__file__).parent / "vectors.json").read_text())
PAGE = bytes.fromhex(re.search(r"```page\n(.*?)```", SPEC, re.DOTALL)[1])


def section(title):
    """The text under one heading, down to the next."""
    return re.search(rf"^#+ {re.escape(title)}$(.*?)(?=^#|\Z)", SPEC, re.DOTALL | re.MULTILINE)[1]


def rows(title):
    """The cells of the tables under a heading, without their head lines."""
    cells = [
        [cell.strip() for cell in line.strip("|").split(" | ")]
        for line in section(title).splitlines()
        if line.startswith("|")
    ]
    return [row for row in cells if not set("".join(row)) <= set("- |")]


def example():
    return [row for row in rows("An example page") if row[0].startswith("`")]


def test_the_example_page_decodes_to_its_table():
    assert records.check(PAGE) == (258, 3, 120, 128, 11)
    got = list(records.records(PAGE))
    assert len(got) == len(example())
    for record, (_, name, device_ms, _) in zip(got, example(), strict=True):
        tag = records.CROSSING if name == "crossing" else NAMES.get(name) or int(name, 16)
        assert record[:2] == (tag, int(device_ms))


def test_a_stranger_who_has_only_the_text_reads_the_same():
    for raw in (PAGE, *log(20).values()):
        number, boot = records.check(raw)[:2]
        assert stranger.decode(raw) == (number, boot, list(records.records(raw)))


def test_the_examples_for_programs_hold_every_message_and_record():
    types = {int(row[0], 16) for row in rows("Messages") if row[0].startswith("0x")}
    assert types <= {case["type"] for case in VECTORS["messages"]}
    tags = {int(row[0], 16) for row in rows("Records") if row[0].startswith("0x")}
    assert tags <= {told["tag"] for case in VECTORS["pages"] for told in case["records"]}
    assert PAGE.hex() in {case["page"] for case in VECTORS["pages"]}


def test_a_stranger_imports_nothing_of_ours():
    tree = ast.parse(Path(stranger.__file__).read_text())
    nodes = [node for node in ast.walk(tree) if isinstance(node, ast.Import | ast.ImportFrom)]
    assert {name.name for node in nodes for name in node.names} == {"struct", "time", "zlib"}


def test_a_stranger_makes_and_reads_every_frame_of_the_examples():
    for case in VECTORS["frames"]:
        body, frame = bytes.fromhex(case["body"]), bytes.fromhex(case["frame"])
        assert (stranger.frame(body), stranger.body_of(frame[1:-1])) == (frame, body), case["what"]
    for case in VECTORS["lines"]:
        pieces = [piece for piece in bytes.fromhex(case["line"]).split(b"\0") if piece]
        bodies = [stranger.body_of(piece) for piece in pieces]
        assert [body.hex() for body in bodies if body is not None] == case["bodies"]
        assert bodies.count(None) == case["bad"], case["what"]
    for case in VECTORS["pages"]:
        _, _, found = stranger.decode(bytes.fromhex(case["page"]))
        assert [record[:2] for record in found] == [
            (told["tag"], told["device_ms"]) for told in case["records"]
        ]


def test_a_stranger_pulls_a_real_log(tmp_path):
    truth = Truth.draw(dialfile.demo(), 5)
    noon_us = to_us(datetime(2027, 4, 16, 12, 30, tzinfo=UTC))
    path = tmp_path / "store.sqlite"
    with VirtualDial(truth, Clear(), tmp_path / "board", noon_us) as dial:
        dial.run(noon_us, noon_us + 3_600_000_000)
        with closing(open_line(dial.port)) as line:
            pages, uid = stranger.Client(line.receive, line.send).pull()
        with Board.open(dial.port, dial.clock) as board, Store.open(path) as store:
            board.pull(store)
            crossings = store.crossings(uid)
    kept = stored(path)
    theirs = {(stranger.decode(page)[1], number): page for number, page in pages.items()}
    assert theirs and set(theirs) <= set(kept)  # ours was a moment later, and made a mark
    assert all(kept[name] == page for name, page in theirs.items())
    read = [r[1:] for page in pages.values() for r in stranger.decode(page)[2] if r[0] == 0x80]
    columns = (crossings.device_ms, crossings.channel, crossings.threshold, crossings.rise)
    assert len(read) > 20
    assert sorted(read) == sorted(zip(*(c.tolist() for c in columns), strict=True))


def test_the_bytes_in_the_table_are_those_of_the_page():
    shown = b"".join(bytes.fromhex(row[0].strip("`")) for row in example())
    assert shown == PAGE[24:-4]


def test_the_example_says_what_its_table_says():
    boot, gate, snapshot, *crossings, mark, blind, overflow, other, shut = (
        record[2:] for record in records.records(PAGE)
    )
    told = [row[3] for row in example()]
    dial, channels, cause, firmware = records.unpack_boot(boot[0])
    assert told[0] == f"dial {dial.hex()}, {channels} channels, power, firmware {firmware.decode()}"
    assert cause == 0
    assert records.unpack_gate(gate[0]) == (1, 40000) and "came, 40000 counts" in told[1]
    levels = [snapshot[0][c >> 2] >> 2 * (c & 3) & 3 for c in range(33)]
    assert levels == [0, 1, 2, 3] + [0] * 28 + [1] and "channel 32 at 1" in told[2]
    for (channel, threshold, rise), text in zip(crossings, told[3:6], strict=True):
        way = "rose" if rise else "fell"
        assert text == f"channel {channel}, threshold {threshold}, {way}"
    at, utc_us, sigma_us = records.unpack_mark(mark[0])
    assert told[6] == f"at {at} ms it was {utc_us} us, sigma {sigma_us} us"
    assert told[7] == f"{records.unpack_count(blind[0])} ms"
    assert told[8] == f"{records.unpack_count(overflow[0])} records"
    assert other[0].hex(" ") in told[9]
    assert records.unpack_gate(shut[0]) == (0, 120) and "went, 120 counts" in told[10]


def test_the_example_frames_are_those_of_their_bodies():
    found = [row for row in rows("Frames on the line") if row[1].startswith("`")]
    assert len(found) == 2
    for _, body, frame in found:
        assert framing.encode(bytes.fromhex(body.strip("`"))).hex(" ") == frame.strip("`")


@pytest.mark.parametrize(
    ("title", "form"),
    [
        ("HELLO's answer", messages._HELLO),
        ("STATUS's answer", messages._STATUS),
        ("CHECK's answer", examining._CHECK),
        ("LIVE", messages._LIVE),
        ("TRACED", messages._TRACED),
        ("Pages of the log", records._HEADER),
    ],
)
def test_offsets_and_types_are_those_of_the_code(title, form):
    codes = {
        "B": "u8",
        "H": "u16",
        "I": "u32",
        "Q": "u64",
        "q": "i64",
        "8s": "8 bytes",
        "2s": "2 bytes",
    }
    fields = re.findall(r"\d*[A-Za-z]", form)
    table = [row for row in rows(title) if row[0].isdigit()]
    offset = 0
    for row, field in zip(table, fields, strict=False):
        assert (int(row[0]), row[1]) == (offset, codes[field]), row
        offset += struct.calcsize("<" + field)
    assert struct.calcsize(form) == offset
    # What follows the fixed fields begins where they end.
    assert [int(row[0]) for row in table[len(fields) :]] in ([], [offset])


def test_message_types_and_record_tags_are_those_of_the_code():
    said = {row[1]: int(row[0], 16) for row in rows("Messages") if row[0].startswith("0x")}
    answers = [int(row[0], 16) for row in rows("Messages") if row[1] == "its answer"]
    asked = "HELLO STATUS MARK FETCH SEAL STREAM RELEASE BYE TRACE PROBE CHECK"
    for name in asked.split():
        assert said[name] == getattr(messages, name)
        assert (said[name] | messages.ANSWER in answers) is (name != "BYE")
    for name in ("PAGE", "LIVE", "TRACED", "REFUSED"):
        assert said[name] == getattr(messages, name)
    tags = {row[1]: int(row[0], 16) for row in rows("Records") if row[0].startswith("0x")}
    assert tags == NAMES


def test_what_setup_and_health_hold_is_what_the_text_says():
    said = {row[1]: row[2] for row in rows("Records") if row[0].startswith("0x")}
    for name, form in (("SETUP", records._SETUP), ("HEALTH", records._HEALTH)):
        codes = {"B": "u8", "I": "u32"}
        assert re.findall(r"\bu\d+\b", said[name]) == [codes[c] for c in form.strip("<")]
    assert "7 for all, 2" in SPEC and (ALL, LEAN) == (7, 2)
    assert "0 nowhere, 1 in files, 2 on a bare flash chip" in SPEC
    assert records.STORAGES == ("none", "files", "flash")


def test_the_versions_and_limits_are_those_of_the_code():
    assert f"Protocol version {messages.PROTOCOL}, page version {records.VERSION}." in SPEC
    assert f"0 to {framing.MAX_BODY} bytes" in SPEC
    assert f"longer than {framing.Decoder()._limit} bytes" in SPEC
    assert f"at most {records.MAX_PAGE} bytes long" in SPEC
    assert f"in ticks of {records.TICK_MS} ms" in SPEC
