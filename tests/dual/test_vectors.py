"""The examples that stand beside SPEC.md for programs: read and made as they say."""

import json
import sys
from binascii import hexlify, unhexlify

from dialcore import examining, framing, messages, records


def vectors():
    for folder in sys.path:
        try:
            with open(folder + "/dialcore/vectors.json") as file:
                return json.load(file)
        except OSError:
            pass
    raise AssertionError("no dialcore/vectors.json")


def plain(value):
    """A field as JSON has it."""
    return hexlify(value).decode() if isinstance(value, (bytes, bytearray)) else value


def split_page(payload):
    return messages.unpack_number(payload), payload[4:]


def unpack_sweep(payload):
    fields = records.unpack_sweep(payload)
    return fields[:3] + (list(fields[3]),)


def unpack_traced(payload):
    fields = messages.unpack_traced(payload)
    return fields[:7] + (list(fields[7]),)


MESSAGES = {
    messages.HELLO: messages.unpack_ask_hello,
    messages.HELLO | messages.ANSWER: messages.unpack_hello,
    messages.STATUS | messages.ANSWER: messages.unpack_status,
    messages.MARK: messages.unpack_mark,
    messages.FETCH: messages.unpack_fetch,
    messages.FETCH | messages.ANSWER: messages.unpack_fetch,
    messages.SEAL | messages.ANSWER: lambda p: (messages.unpack_number(p),),
    messages.STREAM: lambda p: (p[0] | p[1] << 8,),
    messages.PAGE: split_page,
    messages.LIVE: messages.unpack_live,
    messages.TRACE: lambda p: (p[0] | p[1] << 8,),
    messages.TRACED: unpack_traced,
    messages.PROBE: examining.unpack_ask_probe,
    messages.PROBE | messages.ANSWER: examining.unpack_probe,
    messages.CHECK | messages.ANSWER: examining.unpack_check,
    messages.REFUSED: lambda p: (p[0], p[1:]),
}
RECORDS = {
    records.BOOT: records.unpack_boot,
    records.GATE: records.unpack_gate,
    records.MARK: records.unpack_mark,
    records.OVERFLOW: lambda p: (records.unpack_count(p),),
    records.BLIND: lambda p: (records.unpack_count(p),),
    records.RTC: records.unpack_rtc,
    records.RTC_FAULT: records.unpack_rtc_fault,
    records.SETUP: records.unpack_setup,
    records.HEALTH: records.unpack_health,
    records.SWEEP: unpack_sweep,
}


def test_frames():
    for case in vectors()["frames"]:
        body, frame = unhexlify(case["body"]), unhexlify(case["frame"])
        assert framing.encode(body) == frame, case["what"]
        assert framing.Decoder().received(frame) == [body], case["what"]


def test_lines_with_damage():
    for case in vectors()["lines"]:
        line = unhexlify(case["line"])
        for step in (1, 5, len(line)):
            decoder = framing.Decoder()
            bodies = []
            for at in range(0, len(line), step):
                bodies += decoder.received(line[at : at + step])
            assert bodies == [unhexlify(body) for body in case["bodies"]], case["what"]
            assert decoder.bad == case["bad"], case["what"]


def test_messages():
    kinds = set()
    for case in vectors()["messages"]:
        body = unhexlify(case["body"])
        kind, sequence, session, payload = messages.split(body)
        assert (kind, sequence, session) == (case["type"], case["sequence"], case["session"])
        assert messages.body(kind, sequence, payload, session or 0) == body, case["what"]
        read = MESSAGES.get(kind, lambda p: (p,) if p else ())
        assert [plain(field) for field in read(payload)] == case["fields"], case["what"]
        kinds.add(kind)
    assert set(MESSAGES) <= kinds


def test_pages():
    tags = set()
    for case in vectors()["pages"]:
        page = unhexlify(case["page"])
        assert records.check(page)[:3] == (case["number"], case["boot"], case["base_ms"])
        found = list(records.records(page))
        assert len(found) == len(case["records"]), case["what"]
        for record, told in zip(found, case["records"]):
            assert record[:2] == (told["tag"], told["device_ms"]), case["what"]
            tags.add(record[0])
            if record[0] == records.CROSSING:
                assert list(record[2:]) == told["fields"], case["what"]
                continue
            assert hexlify(record[2]).decode() == told["payload"], case["what"]
            if record[0] in RECORDS:
                fields = RECORDS[record[0]](record[2])
                assert [plain(field) for field in fields] == told["fields"], case["what"]
        assert rewritten(page, found) == page, case["what"]
    assert set(RECORDS) <= tags


def rewritten(page, found):
    """The page as a writer makes it from its own records."""
    number, boot, base = records.check(page)[:3]
    writer = records.PageWriter()
    writer.start(0)
    for record in found:
        at = record[1] - base
        if record[0] == records.CROSSING:
            assert writer.crossing(record[2], record[3], record[4], at)
        else:
            assert writer.record(record[0], at, record[2])
    return bytes(writer.sealed(number, boot, base))


def test_bad_pages():
    for case in vectors()["bad_pages"]:
        try:
            list(records.records(unhexlify(case["page"])))
        except ValueError:
            continue
        raise AssertionError(case["what"])
