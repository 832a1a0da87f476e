"""What a board of 128 channels needs: one day of its log under a board's memory.

Not a test by itself: tests/faults/test_board_cost.py runs it and works on its figures. Prints
them as one JSON object. Words: flash (a chip in a file), littlefs (files on the board's file
system, its blocks in memory, so that the heap must be large); how many crossings the day has;
and how many bytes the medium.
"""

import gc
import json
import sys
from array import array

from dialcore.compat import keep_heap_whole

keep_heap_whole()  # as main.py does

from benchboard import BenchBoard, scratch, wipe
from dialcore import messages
from dialnode.flash_spi import PAGE, SECTOR, SpiFlash
from dialnode.node import Node
from dialnode.storage_nor import NorStorage
from dialnode.virtual_nor import NorChip

CHANNELS = 128
DAY_MS = 7 * 3600 * 1000  # of light, in which the crossings come evenly
SCANS = 300
BLANK = b"\xff" * PAGE


class CountedChip(NorChip):
    """A chip that counts what takes it long, and takes little of the board's memory itself."""

    erased = programmed = 0

    def erase(self, address):
        self.erased += 1
        for at in range(address, address + SECTOR, PAGE):
            self._put(at, BLANK)

    def program(self, address, data):
        self.programmed += 1
        NorChip.program(self, address, data)


class CostBoard(BenchBoard):
    """Keeps its log where it is told, and no more of what it says than it must."""

    medium = None

    def storage(self, kind, limit_bytes):
        if kind == "files":
            return self.medium.open(self.medium.blank(), self.medium.power)[0]
        path = self._folder + "/chip"
        with open(path, "wb") as file:
            while file.tell() < limit_bytes:
                file.write(BLANK)
        self.medium = CountedChip(open(path, "r+b"), limit_bytes)  # noqa: SIM115 - as long as it runs
        return NorStorage(SpiFlash(self.medium, self.medium.select), limit_bytes)

    def link_write(self, data):
        return len(data)

    def idle(self, busy):
        self.running = busy


def littlefs(size_bytes):
    """Files on a LittleFS; counts of its block device."""
    from powercut import LittleFs, Power

    medium = LittleFs(size_bytes // 2, blocks=size_bytes // LittleFs.BLOCK)
    medium.power = Power()
    return medium


def live():
    """Bytes of the heap in use, half of them on a 64-bit build. That is what objects made of
    words take on a 32-bit board; bytecode, texts and buffers are no smaller there, so it may
    be more, up to twice this."""
    gc.collect()
    return gc.mem_alloc() // (2 if sys.maxsize > 0x7FFFFFFF else 1)


def day(kind, crossings, medium_bytes):
    """The figures of one day."""
    code = live()
    folder = scratch("cost")
    board = CostBoard(folder, CHANNELS, config={"storage": kind, "log_bytes": medium_bytes})
    board.medium = littlefs(medium_bytes) if kind == "files" else None
    node = Node(board)
    if node._health is None:
        raise MemoryError(node._serve._trouble)
    log = node._log
    counts = array("H", [42050, 2050] + [100 + 20000] * CHANNELS)
    peak = live()
    for k in range(SCANS):
        board.scans.append((k * 500, counts))
        board.running = True
        node.run()
    board.ask(messages.SEAL)
    board.ask(messages.FETCH, messages.pack_fetch(0, 32))
    board.running = True
    node.run()
    peak = max(peak, live())
    pages = log.next_page
    before = costs(board)
    size = 0
    start = SCANS * 500
    for k in range(crossings):
        board.now = start + DAY_MS * k // crossings
        now = node._clock.tick()
        log.crossing(k % CHANNELS, k % 3, k // CHANNELS & 1, now)
        node._health.step()
        log.flush()
        if log.next_page > pages + size:
            size = log.next_page - pages
            peak = max(peak, live())
    log.seal()
    after = costs(board)
    stored = 0
    for number in range(pages, log.next_page):
        stored += len(log.read(number))
    assert log.overflow == log.bad == log.torn == 0
    print(
        json.dumps(
            {
                "kind": kind,
                "medium_bytes": medium_bytes,
                "crossings": crossings,
                "heap_code": code,
                "heap_live": peak,
                "pages": log.next_page - pages,
                "bytes": stored,
                "erases": after[0] - before[0],
                "programs": after[1] - before[1],
            }
        )
    )
    if kind == "files":
        board.medium.close()
    wipe(folder)


def costs(board):
    if isinstance(board.medium, CountedChip):
        return board.medium.erased, board.medium.programmed
    return board.medium.blocks.erases, board.medium.blocks.writes


if __name__ == "__main__":
    day("files" if sys.argv[1] == "littlefs" else "flash", int(sys.argv[2]), int(sys.argv[3]))
