"""Pages: every record comes back as written, and a bad page is refused."""

import struct

from dialcore import records
from dialcore.compat import crc32

try:
    import micropython

    heap_lock = micropython.heap_lock
    heap_unlock = micropython.heap_unlock
except (ImportError, AttributeError):  # CPython has no heap to lock: only the result is checked

    def heap_lock():
        pass

    heap_unlock = heap_lock


def raises(error, call, *arguments):
    try:
        call(*arguments)
    except error:
        return True
    return False


def all_of(page):
    return list(records.records(page))


def resealed(body):
    """A page with its CRC made right, whatever it holds."""
    return bytes(body) + struct.pack("<I", crc32(bytes(body)))


def written(*entries, number=3, boot=2, base_ms=0):
    """A page; an entry is (offset, channel, threshold, rise) or (offset, tag, payload)."""
    writer = records.PageWriter()
    writer.start(0)
    for entry in entries:
        if len(entry) == 4:
            assert writer.crossing(entry[1], entry[2], entry[3], entry[0])
        else:
            assert writer.record(entry[1], entry[0], entry[2])
    return bytes(writer.sealed(number, boot, base_ms))


def test_an_empty_page_has_a_header_and_a_crc():
    page = written(number=9, boot=4, base_ms=1 << 40)
    assert len(page) == 28
    assert records.check(page) == (9, 4, 1 << 40, 28, 0)
    assert all_of(page) == []


def test_crossings_come_back_with_their_times_to_the_tick():
    times = (0, 4, 5, 70, 80, 60, 1350, 100000, 99990, 600000, 2**29 - 1, 0, -3000, -2000)
    entries = [(times[i], (i * 9) % 128, i % 3, i & 1) for i in range(len(times))]
    base = 1 << 41
    got = all_of(written(*entries, base_ms=base))
    assert len(got) == len(entries)
    for (offset, channel, threshold, rise), record in zip(entries, got):
        tag, device_ms = record[:2]
        assert tag == records.CROSSING
        assert record[2:] == (channel, threshold, rise)
        assert device_ms == base + (offset + 5) // 10 * 10
        assert abs(device_ms - base - offset) <= 5


def test_a_crossing_takes_as_many_bytes_as_its_distance_needs():
    for step, size in (
        (70, 2),
        (-80, 2),
        (80, 3),
        (10230, 3),
        (10240, 4),
        (1310710, 4),
        (1310720, 5),
        (2**29, 6),
    ):
        page = written((step, 1, 1, 1))
        assert len(page) - 28 == size, (step, len(page))


def test_other_records_come_back_known_or_not():
    entries = (
        (0, records.BOOT, records.pack_boot(b"dialhash", 33, 1, "0.1.0")),
        (2000, records.GATE, records.pack_gate(1, 40000)),
        (2000, records.SNAPSHOT, bytes(range(33))),
        (1990, records.MARK, records.pack_mark(1 << 40, -5, 900)),
        (9000, records.OVERFLOW, records.pack_count(1 << 31)),
        (12000, records.BLIND, records.pack_count(450)),
        (12000, 0x7F, b""),
        (2**29, 0x11, bytes(120)),
    )
    got = all_of(written(*entries))
    assert got == [(tag, (offset + 5) // 10 * 10, payload) for offset, tag, payload in entries]
    assert records.unpack_boot(got[0][2]) == (b"dialhash", 33, 1, b"0.1.0")
    assert records.unpack_gate(got[1][2]) == (1, 40000)
    assert records.unpack_mark(got[3][2]) == (1 << 40, -5, 900)
    assert records.unpack_count(got[4][2]) == 1 << 31
    assert records.unpack_count(got[5][2]) == 450


def test_payloads_too_short_are_refused():
    for unpack in (
        records.unpack_boot,
        records.unpack_gate,
        records.unpack_mark,
        records.unpack_count,
    ):
        assert raises(ValueError, unpack, b"")
        assert raises(ValueError, unpack, b"\1\2")


def test_kinds_of_records_mix_on_one_line_of_time():
    got = all_of(written((100, 5, 0, 1), (90, records.GATE, b"\1\2\3"), (110, 6, 2, 0)))
    assert got == [
        (records.CROSSING, 100, 5, 0, 1),
        (records.GATE, 90, b"\1\2\3"),
        (records.CROSSING, 110, 6, 2, 0),
    ]


def test_a_full_page_takes_no_more_and_is_whole():
    writer = records.PageWriter(100)
    writer.start(0)
    count = 0
    while writer.crossing(count & 127, 1, 1, count * 10000):
        count += 1
    assert not writer.record(records.GATE, 0, b"\1\2\3")
    page = bytes(writer.sealed(1, 1, 0))
    assert count == writer.count == len(all_of(page))
    assert 100 - 7 < len(page) <= 100
    writer = records.PageWriter()
    writer.start(0)
    assert not writer.record(records.GATE, 0, bytes(121))
    assert writer.count == 0


def test_a_writer_begins_anew():
    writer = records.PageWriter()
    writer.start(0)
    writer.crossing(1, 1, 1, 500)
    writer.start(7000)
    assert writer.base_offset_ms == 7000
    writer.crossing(2, 0, 0, 7100)
    assert all_of(writer.sealed(1, 1, 1000000)) == [(records.CROSSING, 1000100, 2, 0, 0)]


def test_the_epoch_may_move_within_a_page():
    writer = records.PageWriter()
    writer.start(1000)
    writer.crossing(1, 1, 1, 3000)
    writer.rebase(2500)
    writer.crossing(2, 1, 1, 1500)
    base = 2500 + writer.base_offset_ms
    assert [r[1] for r in all_of(writer.sealed(1, 1, base))] == [3000, 4000]


def _locked(crossing):
    heap_lock()
    try:
        done = 0
        at = 0
        while crossing(127, 2, 1, at):
            at += 98770
            crossing(0, 0, 0, at - 50)
            done += 1
        return done
    finally:
        heap_unlock()


def test_writing_crossings_allocates_nothing():
    writer = records.PageWriter()
    writer.start(0)
    done = _locked(writer.crossing)
    assert done > 100
    assert writer.count in (2 * done, 2 * done - 1)


def test_every_flipped_bit_and_every_cut_is_noticed():
    page = written((0, 5, 0, 1), (90, records.GATE, b"\1\2\3"))
    for at in range(len(page)):
        for bit in range(8):
            bent = bytearray(page)
            bent[at] ^= 1 << bit
            assert raises(ValueError, records.check, bytes(bent))
        assert raises(ValueError, records.check, page[:at])
    assert raises(ValueError, records.check, page + b"\0")
    assert raises(ValueError, all_of, page[:-1])


def test_a_page_of_another_version_is_named():
    page = bytearray(written()[:-4])
    for at, value in ((2, 2), (3, 20)):
        bent = bytearray(page)
        bent[at] = value
        assert raises(ValueError, records.header, resealed(bent))
    assert raises(ValueError, records.header, b"XX" + bytes(30))
    assert raises(ValueError, records.header, b"DL")


def test_records_that_do_not_fit_their_page_are_refused():
    def page_of(payload, count):
        head = struct.pack("<2sBBIIQHH", b"DL", 1, 10, 0, 1, 0, len(payload), count)
        return resealed(head + payload)

    assert all_of(page_of(b"\x81\x20", 1)) == [(records.CROSSING, 0, 1, 1, 0)]
    for payload, count in (
        (b"\x81\x20", 2),  # fewer records than said
        (b"\x81\x20\x81\x20", 1),  # more
        (b"\x81", 1),  # half a crossing
        (b"\x81\x30", 1),  # its time is cut short
        (b"\x81\x30" + b"\xff" * 9 + b"\1", 1),  # its time is longer than any
        (b"\x02\x05\0\1", 1),  # a record runs over the end
        (b"\x02\x01\x80\0", 1),  # its time runs over its own end
        (b"\x02\x00", 1),  # it has no time
    ):
        assert raises(ValueError, all_of, page_of(payload, count)), payload


def test_any_view_of_bytes_is_read():
    page = written((0, 5, 0, 1), (90, records.GATE, b"\1\2\3"))
    assert all_of(bytearray(page)) == all_of(memoryview(page)) == all_of(page)


def test_setup_and_health_come_back_and_longer_ones_are_read_too():
    setup = records.pack_setup(500, 600, 2, "flash", 1 << 24)
    assert len(setup) == 14
    assert records.unpack_setup(setup + b"later") == (500, 600, 2, 2, 1 << 24)
    health = records.pack_health(1, 2, 3, 4, 5, 6, (1 << 32) - 1)
    assert records.unpack_health(health + b"later") == (1, 2, 3, 4, 5, 6, (1 << 32) - 1)
    assert raises(ValueError, records.unpack_setup, setup[:-1])
    assert raises(ValueError, records.unpack_health, health[:-1])
