"""Pages in files: torn and damaged pages, failed writes, a full storage, the ring."""

import os

from benchboard import BenchBoard, Stubborn, scratch, wipe
from dialcore import records


def full_log(board, pages, crossings=20):
    """A storage with so many pages of boot 1, and their bytes."""
    storage = board.storage("files", 1 << 20)
    writer = records.PageWriter()
    written = []
    for number in range(pages):
        writer.start(0)
        for k in range(crossings):
            writer.crossing(k & 127, 1, 1, 50 * k + number)
        page = bytes(writer.sealed(number, 1, 0))
        storage.append(page)
        written.append(page)
    return written


def spoil(path, at):
    with open(path, "rb") as file:
        data = bytearray(file.read())
    data[at] ^= 0x10
    with open(path, "wb") as file:
        file.write(data)


def test_a_damaged_page_costs_no_other_and_its_number_is_not_given_again():
    for which in (0, 7, 19, 39):
        folder = scratch("rot")
        board = BenchBoard(folder)
        pages = full_log(board, 40)
        starts = [sum(len(page) for page in pages[:n]) for n in range(40)]
        spoil(folder + "/log/p00000000", starts[which] + len(pages[which]) // 2)
        storage = board.storage("files", 1 << 20)
        assert storage.next == 40
        for number in range(40):
            assert storage.read(number) == (None if number == which else pages[number])
        storage.append(pages[0])
        assert storage.next == 41 and storage.read(40) is None  # it says it is page 0
        wipe(folder)


def test_a_damaged_header_costs_no_other_page():
    for crossings, which in ((300, 0), (300, 7), (300, 18), (20, 7), (25, 7)):
        folder = scratch("head")
        board = BenchBoard(folder)
        pages = full_log(board, 20, crossings)
        for at in (0, 20):  # nothing begins there; or it tells another size
            start = sum(len(page) for page in pages[:which])
            spoil(folder + "/log/p00000000", start + at)
            storage = board.storage("files", 1 << 20)
            assert storage.next == 20
            for number in [19] + list(range(20)):
                assert storage.read(number) == (None if number == which else pages[number])
            spoil(folder + "/log/p00000000", start + at)
        storage.append(pages[0])
        assert storage.next == 21 and storage.read(19) == pages[19]
        wipe(folder)


def test_when_nothing_tells_the_last_numbers_none_is_given_again():
    folder = scratch("head")
    board = BenchBoard(folder)
    pages = full_log(board, 20, crossings=300)
    for which in (18, 19):
        spoil(folder + "/log/p00000000", which * len(pages[0]))
    storage = board.storage("files", 1 << 20)
    assert storage.torn == 1
    assert storage.next == 256
    assert [storage.read(n) for n in range(18)] == pages[:18]
    wipe(folder)


def test_a_failed_write_leaves_nothing_in_the_way_of_the_next():
    folder = scratch("failed")
    board = BenchBoard(folder)
    pages = full_log(board, 3)
    storage = Stubborn(folder + "/log", 1 << 20)
    storage.refuse = 5
    for _ in range(3):
        try:
            storage.append(pages[0])
        except OSError:
            continue
        raise AssertionError("written all the same")
    storage.refuse = 0
    writer = records.PageWriter()
    writer.start(0)
    writer.crossing(1, 1, 1, 50)
    last = bytes(writer.sealed(3, 1, 0))
    storage.append(last)
    again = board.storage("files", 1 << 20)
    assert again.next == 4
    assert [again.read(n) for n in range(4)] == pages + [last]
    wipe(folder)


def test_the_number_of_files_is_bounded():
    folder = scratch("files")
    storage = BenchBoard(folder).storage("files", 1 << 23)
    writer = records.PageWriter()
    for number in range(300):
        writer.start(0)
        writer.crossing(1, 1, 1, 50)
        storage._room = 0  # as after a power cut: a new file each time
        storage.append(writer.sealed(number, 1, 0))
    assert len(os.listdir(folder + "/log")) == 256
    assert storage.first == 44 and storage.next == 300
    wipe(folder)


def test_a_full_storage_gives_up_its_oldest_file():
    folder = scratch("full")
    board = BenchBoard(folder)
    full_log(board, 70, crossings=300)
    storage = Stubborn(folder + "/log", 1 << 20)
    plain = storage._write

    def no_space(page):
        if len(storage._files) > 1:
            raise OSError(28)
        plain(page)

    storage._write = no_space
    writer = records.PageWriter()
    writer.start(0)
    writer.crossing(1, 1, 1, 50)
    storage.append(writer.sealed(70, 1, 0))
    assert storage.first > 30 and storage.next == 71
    wipe(folder)


def test_a_torn_page_is_counted_and_writing_goes_on():
    folder = scratch("torn")
    board = BenchBoard(folder)
    whole = full_log(board, 5)
    name = folder + "/log/p00000000"
    with open(name, "rb") as file:
        data = file.read()
    for cut in (1, 30, len(whole[-1]) - 1):
        with open(name, "wb") as file:
            file.write(data[: len(data) - cut])
        storage = board.storage("files", 65536)
        assert storage.torn == 1
        assert storage.next == len(whole) - 1
        writer = records.PageWriter()
        writer.start(0)
        writer.crossing(1, 1, 1, 50)
        storage.append(writer.sealed(storage.next, 2, 0))
        again = board.storage("files", 65536)
        assert again.next == len(whole)
        assert bytes(again.read(again.next - 1))[:2] == b"DL"
        for number in range(len(whole) - 1):
            assert again.read(number) == whole[number]
        for extra in os.listdir(folder + "/log"):
            if extra != "p00000000":
                os.remove(folder + "/log/" + extra)
    wipe(folder)


def test_the_ring_retires_whole_oldest_files_and_says_so():
    folder = scratch("ring")
    board = BenchBoard(folder)
    storage = board.storage("files", 65536)
    writer = records.PageWriter()
    for number in range(200):
        writer.start(0)
        while writer.crossing(1, 1, 1, 50):
            pass
        storage.append(writer.sealed(number, 1, 0))
    assert storage.next == 200
    assert storage.first > 100
    assert "p%08x" % storage.first in os.listdir(folder + "/log")
    assert storage.read(storage.first - 1) is None
    assert records.check(storage.read(storage.first))[0] == storage.first
    assert records.check(storage.read(199))[0] == 199
    assert records.check(storage.read(170))[0] == 170
    assert storage.read(200) is None
    size = sum(os.stat(folder + "/log/" + n)[6] for n in os.listdir(folder + "/log"))
    assert size <= 65536
    wipe(folder)
