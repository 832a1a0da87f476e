"""Pages on a bare flash chip: the chip's commands, the ring, torn and damaged pages, a start
that reads little."""

import gc

from dialcore import records
from dialcore.compat import crc32
from dialnode.flash_spi import SECTOR, SpiFlash
from dialnode.storage_nor import NorStorage
from dialnode.virtual_nor import NorChip
from powercut import Memory

SIZE = 16 * SECTOR


class Wire:
    """A bus that notes what goes over it: the latest commands, bytes read in all."""

    def __init__(self, chip):
        self._chip = chip
        self.said = []
        self.got = 0

    def select(self, level):
        if not level:
            self.said = self.said[-9:] + [b""]
        self._chip.select(level)

    def write(self, data):
        self.said[-1] += bytes(data)
        self._chip.write(data)

    def readinto(self, buffer):
        self.got += len(buffer)
        self._chip.readinto(buffer)


def blank(size=SIZE):
    gc.collect()  # a board's heap has room for one chip more only if the last one is gone
    data = bytearray(size)
    for at in range(0, size, SECTOR):
        data[at : at + SECTOR] = b"\xff" * SECTOR
    return Memory(data)


def wired(memory):
    wire = Wire(NorChip(memory, len(memory.data)))
    return SpiFlash(wire, wire.select), wire


def opened(memory, size=SIZE):
    return NorStorage(wired(memory)[0], size)


def page(number, boot=1, crossings=300):
    writer = records.PageWriter()
    writer.start(0)
    for k in range(crossings):
        if not writer.crossing(k & 127, 1, 1, 50 * k + number):
            break
    return bytes(writer.sealed(number, boot, 0))


def place(memory, number):
    """Where a page stands on the chip."""
    head = page(number)[:8]
    for at in range(0, len(memory.data), 16):
        if memory.data[at : at + 8] == head:
            return at
    raise AssertionError(number)


def filled(pages, crossings=300, size=SIZE):
    memory = blank(size)
    storage = opened(memory, size)
    for number in range(pages):
        storage.append(page(number, 1, crossings))
    return memory, storage


def test_the_chip_is_told_what_its_makers_ask_for():
    memory = blank()
    flash, wire = wired(memory)
    assert flash.size_bytes == SIZE
    assert wire.said == [b"\x05", b"\x9f"]
    wire.said = []
    flash.program(0x1234, b"\x0f\xf0")
    assert wire.said == [b"\x06", b"\x02\x00\x12\x34\x0f\xf0", b"\x05"]
    wire.said = []
    buffer = bytearray(4)
    flash.read(0x1233, buffer)
    assert wire.said == [b"\x03\x00\x12\x33"]
    assert buffer == b"\xff\x0f\xf0\xff"
    flash.program(0x1234, b"\xfc\xff")
    flash.read(0x1233, buffer)
    assert buffer == b"\xff\x0c\xf0\xff"  # bits go to 0 only
    wire.said = []
    flash.erase(0x1000)
    assert wire.said == [b"\x06", b"\x20\x00\x10\x00", b"\x05"]
    flash.read(0x1233, buffer)
    assert buffer == b"\xff\xff\xff\xff"


def test_nothing_is_written_without_leave():
    memory = blank()
    chip = NorChip(memory, SIZE)
    for said in (b"\x02\x00\x00\x00\x00", b"\x20\x00\x00\x00", b"\x06\x00", b"\x05"):
        chip.select(0)
        chip.write(said)
        chip.select(1)
    assert memory.data == b"\xff" * SIZE


class Deaf:
    """A bus with nothing at its end: the line floats."""

    def __init__(self, level):
        self._level = level

    def write(self, data):
        pass

    def readinto(self, buffer):
        for i in range(len(buffer)):
            buffer[i] = self._level


def test_a_chip_that_is_not_there_is_told_and_one_that_hangs_is_given_up():
    for level in (0, 255):
        flash = SpiFlash(Deaf(level), lambda _: None)
        assert flash.size_bytes == 0
        try:
            NorStorage(flash, SIZE)
        except ValueError as wrong:
            assert "0 bytes" in str(wrong)
        else:
            raise AssertionError("taken for a chip")
    for level in (1, 255):
        try:
            SpiFlash(Deaf(level), lambda _: None).erase(0)
        except OSError:
            continue
        raise AssertionError("waits for ever, or does not wait")


class Erasing(Wire):
    """A chip that is still erasing as the board starts anew: it answers nothing but that."""

    looks = 50

    def readinto(self, buffer):
        if self.looks:
            said = self.said[-1] == b"\x05"
            self.looks -= said
            for i in range(len(buffer)):
                buffer[i] = 1 if said else 255
        else:
            Wire.readinto(self, buffer)


def test_a_chip_that_is_still_erasing_is_waited_for():
    wire = Erasing(NorChip(blank(), SIZE))
    assert SpiFlash(wire, wire.select).size_bytes == SIZE


def test_pages_come_back_and_the_ring_retires_the_oldest():
    memory, storage = filled(200)
    assert storage.next == 200 and storage.erases > 30
    assert 200 - 16 * 6 <= storage.first <= 200 - 14 * 5
    for again in (storage, opened(memory)):
        assert (again.first, again.next, again.torn, again.bad) == (storage.first, 200, 0, 0)
        for number in range(again.first, 200):
            assert again.read(number) == page(number)
        assert again.read(again.first - 1) is None and again.read(200) is None
        assert again.read(again.first) == page(again.first)  # any order
    assert again.newest_boot == 1


def test_a_sector_used_again_is_read_from_its_beginning():
    # Six pages a sector, 96 in the ring: page 150 lies where page 54 lay.
    _memory, storage = filled(60)
    assert storage.read(58) == page(58)  # the last look is late in that sector
    for number in range(60, 160):
        storage.append(page(number))
    assert storage.first > 58 and storage.read(150) == page(150)


def test_small_pages_share_a_sector():
    memory, storage = filled(100, crossings=20)
    assert storage.erases <= 4
    again = opened(memory)
    assert [again.read(number) for number in range(100)] == [page(n, 1, 20) for n in range(100)]
    again.append(page(100, 2, 20))
    assert again.erases == 0  # it goes on where the other left off
    assert opened(memory).newest_boot == 2


def test_a_torn_page_is_counted_and_its_number_given_again():
    for cut in (1, 30, 200, 600):
        memory, _storage = filled(6)
        at = place(memory, 5)
        memory.data[at + cut : at + len(page(5))] = b"\xff" * (len(page(5)) - cut)
        again = opened(memory)
        assert (again.torn, again.next) == (1, 5)
        again.append(page(5, 2))
        last = opened(memory)
        assert last.next == 6 and last.read(5) == page(5, 2)
        assert [last.read(n) for n in range(5)] == [page(n) for n in range(5)]


def test_a_damaged_page_costs_no_other():
    for which in (0, 3, 4, 7):
        memory, _storage = filled(8)
        at = place(memory, which)
        memory.data[at + 2] ^= 0x40  # its header: nothing tells how long it is
        again = opened(memory)
        for number in range(8):
            expected = None if number == which or number >= again.next else page(number)
            assert again.read(number) == expected
        assert again.next == (8 if which < 7 else 7)


def test_a_damaged_page_of_the_oldest_sector_costs_none_that_came_after_it():
    memory, storage = filled(120)
    first = storage.first
    assert first > 0
    inside = first
    while place(memory, inside) // SECTOR == place(memory, first) // SECTOR:
        inside += 1
    assert inside - first > 2
    for which in range(first, inside):
        spoilt = Memory(bytearray(memory.data))
        spoilt.data[place(memory, which) + 40] ^= 1
        again = opened(spoilt)
        assert again.first == which + 1 and again.next == 120
        assert again.read(which) is None
        for number in range(which + 1, 120):
            assert again.read(number) == page(number)
        del again, spoilt
        gc.collect()


def test_when_much_is_damaged_no_number_is_given_again():
    memory, _storage = filled(3)
    at = place(memory, 1)
    memory.data[at : at + 1] = b"\x00"
    at = place(memory, 2)
    memory.data[at : at + 1] = b"\x00"
    again = opened(memory)
    assert again.next > 3
    again.append(page(again.next))
    assert opened(memory).read(again.next - 1) == page(again.next - 1)


def test_the_chip_of_another_ring_is_left_alone():
    memory, _storage = filled(30)
    before = crc32(memory.data)
    try:
        opened(memory, SIZE // 2)
    except ValueError as wrong:
        assert "log_bytes must be %d" % SIZE in str(wrong)
    else:
        raise AssertionError("taken")
    assert crc32(memory.data) == before


def test_a_start_reads_one_header_a_sector_and_little_more():
    size = 32 * SECTOR
    memory, _storage = filled(220, size=size)
    flash, wire = wired(memory)
    wire.got = 0
    again = NorStorage(flash, size)
    assert again.next == 220 and again.first > 0
    assert wire.got <= 32 * 32 + 4 * SECTOR


def test_a_chip_that_takes_nothing_costs_no_page():
    memory, storage = filled(100)
    first = storage.first
    dead = NorChip(memory, SIZE)
    dead._put = lambda address, data: None
    again = NorStorage(SpiFlash(dead, dead.select), SIZE)
    for _ in range(5):
        try:
            again.append(page(100))
        except OSError:
            continue
        raise AssertionError("taken")
    assert again.bad > 0 and again.first == first and again.next == 100
    for storage in (again, opened(memory)):
        assert [storage.read(n) for n in range(first, 100)] == [page(n) for n in range(first, 100)]


def test_a_chip_that_only_erases_costs_no_more_than_the_sectors_tried():
    size = 32 * SECTOR
    memory, storage = filled(250, size=size)
    first = storage.first
    chip = NorChip(memory, size)
    chip.program = lambda address, data: None
    again = NorStorage(SpiFlash(chip, chip.select), size)
    for _ in range(5):
        try:
            again.append(page(250))
        except OSError:
            continue
        raise AssertionError("taken")
    assert 0 < again.first - first <= 20 * 6
    mended = opened(memory, size)
    assert mended.next == 250
    for number in range(mended.first, 250):
        assert mended.read(number) == page(number)
    mended.append(page(250))
    assert opened(memory, size).read(250) == page(250)
