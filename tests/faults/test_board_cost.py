"""What the board needs at 128 channels: memory, flash, time. The figures are printed (-s).

Measured: the heap under a real MicroPython (of a 64-bit build, see boardcost.live), bytes,
erases and programs of a day's log on a chip and on the board's own file system, each of the
size whose wear is told. Modelled, from the constants below: time and wear.
"""

import dis
import json
import subprocess
import sys
from array import array
from pathlib import Path

import pytest

from dialcore.crossing import FIRST, Calibration
from dialnode.clock import Clock
from dialnode.scan import Scan
from reader import Reader, counts_of

ROOT = Path(__file__).parents[2]
DUAL = ROOT / "tests" / "dual"
CHANNELS = 128
HEAP_KIB = 96
# The uniform dial of tests/data has 3,180 crossings on 33 channels on a clear day.
DAY_CROSSINGS = 12_288
# Erases that a sector of a chip of the W25Q class lasts, times of one sector erase and of one
# program of up to 256 bytes, typical: from its data sheet, from memory.
ENDURANCE = 100_000
ERASE_MS = 45.0
PROGRAM_MS = 0.7
SECTOR = 4096
CHIP_BYTES = 4 << 20
# Of a stock Pico's 2 MB of flash its firmware leaves this to the file system (from memory).
FILE_SYSTEM_BYTES = 1408 << 10
LARGEST_BYTES = 16 << 20  # that config.json allows
# An RP2040 at its 125 MHz takes about so many cycles for a bytecode of MicroPython, fetched
# from flash through its cache: an assumption, no source.
CLOCK_HZ = 125e6
CYCLES_A_BYTECODE = 150
CONVERSION_US = 2.0  # of an RP2040's converter (its data sheet, from memory)
SETTLE_US = 40  # what a ladder of 1 kilohm asks for
# At night, with no host: a scan after each nap. A Pico takes so much from its supply while it
# works and while it sleeps lightly (Pico Datasheet, from memory: 1.3 mA asleep; rounded up), and
# the ladder draws its own.
NAP_S = 4.0
WORKING_MA = 30.0
SLEEPING_MA = 2.0
LADDER_MA = 3.3 / 17
# CPython's own book-keeping, which MicroPython's bytecode has no counterpart of.
NO_COUNTERPART = {"CACHE", "RESUME", "PRECALL", "PUSH_NULL", "NOP", "EXTENDED_ARG", "COPY"}


def on_board(heap_kib, kind, cwd, medium_bytes=CHIP_BYTES):
    """boardcost.py's figures, or None where the heap (as a 32-bit board counts) is too small."""
    start = "import micropython, sys; sys.exit(micropython.main())"
    path = [str(ROOT / "shared"), str(ROOT / "firmware"), str(DUAL), ".frozen"]
    ran = subprocess.run(
        [sys.executable, "-c", start, "-X", f"heapsize={heap_kib}wK"]
        + [str(DUAL / "boardcost.py"), kind, str(DAY_CROSSINGS), str(medium_bytes)],
        env={"MICROPYPATH": ":".join(path)},
        cwd=cwd,
        capture_output=True,
        text=True,
        timeout=50,
        check=False,
    )
    if "MemoryError" in ran.stdout + ran.stderr:
        return None
    assert ran.returncode == 0, ran.stdout + ran.stderr
    return json.loads(ran.stdout)


def wear(found):
    """Erases a day and years until a sector has had as many as it lasts, where they are
    spread over the whole medium: the ring's are, and LittleFS spreads its own (its design)."""
    sectors = found["medium_bytes"] // SECTOR
    return {
        "bytes a day": found["bytes"],
        "bytes a crossing": round(found["bytes"] / found["crossings"], 2),
        "pages a day": found["pages"],
        "erases a day": found["erases"],
        "programs a day": found["programs"],
        "years": round(sectors * ENDURANCE / found["erases"] / 365.25),
        "blind ms a day": round(found["erases"] * ERASE_MS + found["programs"] * PROGRAM_MS),
    }


class _Light:
    """A board that has one more scan each time it is asked, the same light every time."""

    def __init__(self):
        self.counts = array("H", [42050, 2050] + [20100] * CHANNELS)
        self.now = 0

    def ticks_ms(self):
        return self.now

    def ticks_diff(self, later, earlier):
        return later - earlier

    def scan(self, counts):
        self.now += 500
        counts[:] = self.counts
        return True


class _Log:
    resumed = False

    def crossing(self, *_):
        raise AssertionError("the light stands still")

    def record(self, tag, payload):
        pass


class _Config:
    scan_ms = 500
    thresholds = 7
    calibration = Calibration([100] * CHANNELS, [1024] * CHANNELS, 50, 50, 1280, 6100, 5900)


def bytecodes(do, without):
    """How many of CPython's bytecodes do() takes, those of the codes `without` left out."""
    count = 0
    names = {}

    def local(frame, event, _):
        nonlocal count
        if event == "opcode":
            code = frame.f_code
            if code not in names:
                names[code] = {i.offset: i.opname for i in dis.get_instructions(code)}
            count += names[code].get(frame.f_lasti, "CACHE") not in NO_COUNTERPART
        return local

    def begin(frame, event, _):
        if frame.f_code in without:
            return None
        frame.f_trace_opcodes = True
        return local

    kept = sys.gettrace()
    sys.settrace(begin)
    try:
        do()
    finally:
        sys.settrace(kept)
    return count


def bytecodes_a_scan():
    """Of one scan of all channels, in steady light, the board's own part left out."""
    board = _Light()
    scan = Scan(board, Clock(board), _Log(), _Config())
    scan.take()
    count = bytecodes(scan.take, {_Light.scan.__code__})
    assert len(scan._counts) == CHANNELS + FIRST and scan.scans == 2
    return count


def codes_in(reader):
    """What on a board is calls into C."""
    names = [
        "light",
        "sky",
        "shade",
        "supply",
        "ticks",
        "sleep_us",
        "a0",
        "a1",
        "a2",
        "a3",
        "b0",
        "b1",
        "b2",
        "b3",
    ]
    return {getattr(reader, "_" + name).__code__ for name in names} | {Reader.feed.__code__}


def bytecodes_a_reading():
    """Of the board's own part: every channel's line switched, and converted nine times."""
    counts = counts_of(CHANNELS)
    reader = Reader()
    return bytecodes(lambda: reader.scan(counts), codes_in(reader))


def test_a_day_of_128_channels_fits_the_board(tmp_path):
    chip = on_board(HEAP_KIB, "flash", tmp_path)
    assert chip is not None, f"needs more than {HEAP_KIB} KiB"
    files = on_board(16384, "littlefs", tmp_path, FILE_SYSTEM_BYTES)
    assert chip["bytes"] == files["bytes"] and chip["pages"] == files["pages"]
    watching = bytecodes_a_scan()
    reading = bytecodes_a_reading()
    conversions = CHANNELS * 9 + 2 * 5
    scan_us = (watching + reading) * CYCLES_A_BYTECODE / CLOCK_HZ * 1e6
    scan_us += conversions * CONVERSION_US + CHANNELS * SETTLE_US
    awake = scan_us / (NAP_S * 1e6 + scan_us)
    night_ma = awake * WORKING_MA + (1 - awake) * SLEEPING_MA + LADDER_MA
    table = {
        "channels": CHANNELS,
        "crossings a day": DAY_CROSSINGS,
        "heap bytes, code": chip["heap_code"],
        "heap bytes in use at most": chip["heap_live"],
        "flash": wear(chip),
        "files": wear(files),
        "bytecodes a scan": watching,
        "bytecodes a reading of the channels": reading,
        "ms a scan": round(scan_us / 1000, 1),
        "scans a second": round(1e6 / scan_us, 1),
        "awake at night, %": round(100 * awake, 2),
        "mA at night": round(night_ma, 2),
    }
    print(json.dumps(table, indent=1))
    for kind in ("flash", "files"):
        assert table[kind]["bytes a crossing"] <= 4.0
        assert table[kind]["years"] >= 20
        assert table[kind]["blind ms a day"] < 10_000  # of 25,200,000 ms of light
    assert 3000 < watching < 8000
    assert conversions * 3 < reading < conversions * 20
    assert table["scans a second"] >= 20  # a scan is due every 500 ms
    assert night_ma < 3


def test_the_largest_ring_takes_little_more(tmp_path):
    assert on_board(HEAP_KIB + 24, "flash", tmp_path, LARGEST_BYTES) is not None


def test_too_small_a_heap_is_noticed(tmp_path):
    assert on_board(40, "flash", tmp_path) is None


@pytest.mark.deep
@pytest.mark.timeout(300)
def test_the_least_heap_a_day_runs_in(tmp_path):
    # One that is too small may do by chance, as pieces happen to fall: the least is that from
    # which on all do.
    sizes = range(44, 2 * HEAP_KIB, 4)
    least = max(kib for kib in sizes if not on_board(kib, "flash", tmp_path)) + 4
    print("least heap, KiB:", least)
    assert least <= HEAP_KIB
