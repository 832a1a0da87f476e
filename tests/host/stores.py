"""What tests of stores have in common: a board that says HELLO, pages, marks."""

from types import SimpleNamespace

from dialbench.clock import Mark
from dialcore import records

UID = "00d1a1b0a2d00001"
OTHER = "00d1a1b0a2d00002"
OPEN = records.pack_gate(1, 40000)
SHUT = records.pack_gate(0, 10)


def hello(uid=UID, **changed):
    facts = {
        "uid": uid,
        "dial_hash": "0123456789abcdef",
        "channels": 33,
        "firmware": "0.1.0",
        "runtime": "MicroPython",
        "heap_bytes": 131072,
    }
    return SimpleNamespace(**{**facts, **changed})


def status(boot=1, device_ms=1000, first_page=0, next_page=0, torn_pages=0):
    return SimpleNamespace(
        boot=boot,
        device_ms=device_ms,
        first_page=first_page,
        next_page=next_page,
        torn_pages=torn_pages,
    )


def filled(store, *pages):
    for raw in pages:
        assert store.add_page(UID, raw)


def bent(raw):
    """A page with one bit of its records turned."""
    return raw[:24] + bytes((raw[24] ^ 4,)) + raw[25:]


def marked(store, boot, *at_ms, off_us=0):
    """Clock marks of a clock that is right but for off_us, each good to 1 ms."""
    for device_ms in at_ms:
        utc_us = 1_774_000_000_000_000 + 86_400_000_000 * boot + 1000 * device_ms + off_us
        store.add_mark(UID, Mark(boot, device_ms, utc_us, 1000, "link"))


def written(logged, boot=1, number=0, entries=(), most=40):
    """A log in UTC as a board of boot writes it: pages in order, and the UTC at which it began.

    Crossings and observed spans, and more entries (seconds after the beginning, tag, payload);
    at most so many of them a page.
    """
    one = logged.measured
    start_us = min(start for start, _ in logged.observed) - 60_000_000
    rows = [
        ((int(at) - start_us) // 1000, int(channel), int(threshold), int(rise))
        for at, channel, threshold, rise in zip(
            one.utc_us, one.channel, one.threshold, one.rise, strict=True
        )
    ]
    for start, end in logged.observed:
        rows += [((start - start_us) // 1000, records.GATE, OPEN)]
        rows += [((end - start_us) // 1000, records.GATE, SHUT)]
    rows = sorted([*rows, *((1000 * s, tag, payload) for s, tag, payload in entries)])
    pages = []
    for at in range(0, len(rows), most):
        part = rows[at : at + most]
        base_ms = part[0][0]
        writer = records.PageWriter()
        writer.start(0)
        for device_ms, *what in part:
            if len(what) == 3:
                assert writer.crossing(*what, device_ms - base_ms)
            else:
                assert writer.record(what[0], device_ms - base_ms, what[1])
        pages.append(bytes(writer.sealed(number + len(pages), boot, base_ms)))
    return pages, start_us
