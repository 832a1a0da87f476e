"""Cuts the power in every operation of a storage, in five ways, and looks what is left.

Not a test by itself: tests/faults/test_power_cuts.py runs it on both runtimes. By hand:

    MICROPYPATH=shared:firmware:tests/dual:.frozen micropython tests/dual/powercut.py flash

Sweeps: blank, flash and files (one cut; the smallest log that config.json allows, nothing in
it or full), flash2 and files2 (the recovery is cut too, a small log), littlefs (files on the
board's real file system, on MicroPython only), bad (sectors that fail). Further words narrow
a sweep down: a line that tells of a failure ends in those that repeat it alone. step=5 takes
every fifth cut, another seed begins with another log and tears elsewhere, mutant=NAME breaks
the storage on purpose.

A scenario: from a log made beforehand, pages are appended until the power is cut. Then, with
power again: every page whose append had returned is there, byte for byte, or older than what
the same appends uncut would have retired; nothing else is there but the page that was being
written, whole; numbers and boots are in order; a page can be appended, and is there after one
more start.
"""

import sys

from dialcore import records
from dialnode import storage_files
from dialnode.flash_spi import SECTOR, SpiFlash
from dialnode.storage_files import FileStorage
from dialnode.storage_nor import NorStorage
from dialnode.virtual_nor import NorChip

KINDS = ("none", "prefix", "suffix", "bits", "whole")
FAULTS = ("program", "erase", "silent", "read")


class Cut(Exception):
    """The power went."""


class Wrong(Exception):
    """A promise was broken; says which."""


class Chance:
    """The same numbers on both runtimes."""

    def __init__(self, seed):
        self._state = seed & 0xFFFFFF

    def below(self, limit):
        self._state = self._state * 1140671 + 12820163 & 0xFFFFFF
        return (self._state >> 4) % limit


class Power:
    """Counts the operations that change the medium, and is cut in number `at`."""

    def __init__(self, at=-1, kind="whole", seed=1):
        self.at = at
        self.kind = kind
        self.count = 0
        self.off = False
        self.chance = Chance(seed * 65537 + at * 257 + KINDS.index(kind) * 17)

    def goes(self):
        """Whether the power goes in the operation that begins now."""
        if self.off:
            raise Cut
        self.off = self.count == self.at
        self.count += 1
        return self.off

    def torn(self, old, new):
        """What stands where `new` was being written over `old`, both of one length."""
        where = self.chance.below(len(new) + 1)
        if self.kind == "none":
            return old
        if self.kind == "prefix":
            return new[:where] + old[where:]
        if self.kind == "suffix":
            return old[:where] + new[where:]
        if self.kind == "bits":
            out = bytearray(new)
            for i in range(len(new)):
                mask = self.chance.below(256)
                out[i] = old[i] & ~mask & 255 | new[i] & mask
            return bytes(out)
        return new


class Memory:
    """Bytes that can be sought, read and written in place."""

    def __init__(self, data):
        self.data = data
        self._at = 0

    def seek(self, at):
        self._at = at

    def read(self, size):
        return bytes(self.data[self._at : self._at + size])

    def write(self, data):
        self.data[self._at : self._at + len(data)] = data


class CutChip(NorChip):
    """A flash chip with a power line, and a sector that may be bad."""

    def __init__(self, memory, power, bad=None):
        NorChip.__init__(self, memory, len(memory.data))
        self._power = power
        self._bad = bad  # (sector, fault, operation from which on)

    def _fails(self, address):
        bad = self._bad
        if bad is None or bad[0] != address // SECTOR or self._power.count < bad[2]:
            return ""
        return bad[1]

    def _put(self, address, data):
        if self._power.goes():
            NorChip._put(self, address, self._power.torn(self._get(address, len(data)), data))
            raise Cut
        fault = self._fails(address)
        if fault == ("erase" if len(data) == SECTOR else "program"):
            NorChip._put(self, address, self._power.torn(self._get(address, len(data)), data))
            raise OSError(5)
        if fault != "silent":
            NorChip._put(self, address, data)

    def _get(self, address, size):
        if self._fails(address) == "read":
            raise OSError(5)
        return NorChip._get(self, address, size)


class Flash:
    """A log on a flash chip."""

    def __init__(self, size_bytes):
        self.size_bytes = size_bytes

    def blank(self):
        return b"\xff" * self.size_bytes

    def open(self, state, power, bad=None):
        """(storage, what gives the state later)."""
        memory = Memory(bytearray(state))
        chip = CutChip(memory, power, bad)
        storage = NorStorage(SpiFlash(chip, chip.select), self.size_bytes)
        return storage, lambda: bytes(memory.data)

    def close(self):
        pass


class Files:
    """A log in files on a file system that keeps what was flushed, and tears what was being
    flushed; names come and go whole. Stands in for `os` and `open`."""

    def __init__(self, size_bytes):
        self.size_bytes = size_bytes
        self._kept = (storage_files.os, getattr(storage_files, "open", open))

    def blank(self):
        return {}

    def open(self, state, power, bad=None):
        self.files = dict(state)
        self.power = power
        storage_files.os = self
        storage_files.open = self._open
        return FileStorage("log", self.size_bytes), lambda: self.files

    def close(self):
        storage_files.os, storage_files.open = self._kept

    def listdir(self, _folder):
        return [name.split("/")[-1] for name in self.files]

    def stat(self, path):
        return (0, 0, 0, 0, 0, 0, len(self.files[path]))

    def remove(self, path):
        if self.power.goes():
            if self.power.kind != "none":
                del self.files[path]
            raise Cut
        del self.files[path]

    def _open(self, path, mode):
        if mode == "wb":
            if self.power.goes():
                if self.power.kind != "none":
                    old = self.files.get(path, b"")
                    keep = self.power.chance.below(len(old) + 1)
                    self.files[path] = old[:keep] if self.power.kind == "prefix" else b""
                raise Cut
            self.files[path] = b""
        elif path not in self.files:
            raise OSError(2)
        return _File(self, path)


class _File:
    def __init__(self, system, path):
        self._system = system
        self._path = path
        self._at = 0
        self._waiting = b""

    def __enter__(self):
        return self

    def __exit__(self, *_):
        if not self._system.power.off:
            self.flush()

    def seek(self, at):
        self._at = at

    def read(self, size):
        data = self._system.files[self._path][self._at : self._at + size]
        self._at += len(data)
        return data

    def write(self, data):
        self._waiting += bytes(data)
        return len(data)

    def flush(self):
        if not self._waiting:
            return
        system = self._system
        data = self._waiting
        self._waiting = b""
        old = system.files[self._path]
        if system.power.goes():
            if system.power.kind == "prefix":
                data = data[: system.power.chance.below(len(data))]
            elif system.power.kind == "none":
                data = b""
            else:
                data = system.power.torn(bytes(len(data)), data)
            system.files[self._path] = old + data
            raise Cut
        system.files[self._path] = old + data


class LittleFs:
    """A log in files on a LittleFS over blocks in memory."""

    BLOCK = 4096

    def __init__(self, size_bytes, blocks=24):
        import os

        import vfs

        self.size_bytes = size_bytes
        self._blocks = blocks
        self._vfs = vfs
        self._os = os
        self._mounted = False

    def blank(self):
        data = bytearray(b"\xff" * (self._blocks * self.BLOCK))
        self._vfs.VfsLfs2.mkfs(_Blocks(data, Power()))
        return bytes(data)

    def open(self, state, power, bad=None):
        self.close()
        self.blocks = blocks = _Blocks(bytearray(state), power)
        self._vfs.mount(self._vfs.VfsLfs2(blocks), "/cut")
        self._mounted = True
        try:
            self._os.mkdir("/cut/log")
        except OSError:
            pass
        return FileStorage("/cut/log", self.size_bytes), lambda: bytes(blocks.data)

    def close(self):
        if self._mounted:
            self._vfs.umount("/cut")
            self._mounted = False


class _Blocks:
    """A block device whose power can be cut: from then on it answers nothing."""

    def __init__(self, data, power):
        self.data = data
        self.erases = self.writes = 0
        self._power = power

    def readblocks(self, block, buffer, offset=0):
        at = block * LittleFs.BLOCK + offset
        buffer[:] = self.data[at : at + len(buffer)]
        return 0

    def writeblocks(self, block, buffer, offset=0):
        self.writes += 1
        return self._put(block * LittleFs.BLOCK + offset, bytes(buffer))

    def _put(self, at, data):
        if self._power.off:
            return -5
        if self._power.goes():
            data = self._power.torn(bytes(self.data[at : at + len(data)]), data)
        self.data[at : at + len(data)] = data
        return -5 if self._power.off else 0

    def ioctl(self, op, block):
        if op == 4:
            return len(self.data) // LittleFs.BLOCK
        if op == 5:
            return LittleFs.BLOCK
        if op == 6:
            self.erases += 1
            return self._put(block * LittleFs.BLOCK, b"\xff" * LittleFs.BLOCK)
        return 0


_pages = {}


def page(number, boot):
    """The bytes of one page: 28 to 1020, the same whenever it is asked for."""
    if (number, boot) not in _pages:
        if len(_pages) > 100:
            _pages.clear()
        chance = Chance(number * 31 + boot * 7)
        writer = records.PageWriter()
        writer.start(0)
        for i in range(chance.below(9)):
            payload = bytearray(120 if number & 1 else 40 + chance.below(80))
            for k in range(len(payload)):
                payload[k] = number * 5 + i + k * boot & 255
            writer.record(0x70, i * 1000, payload)
        _pages[number, boot] = bytes(writer.sealed(number, boot, number * 600000))
    return _pages[number, boot]


class Log:
    """What must be in the log: boots by number of page. `doubtful` is the page whose append
    was cut: it may be there, whole, or not."""

    def __init__(self, boots=()):
        self.boots = list(boots)
        self.doubtful = 0  # its boot, 0 if there is none

    def copy(self):
        other = Log(self.boots)
        other.doubtful = self.doubtful
        return other

    def append(self, storage, boot):
        """Append the next page; with the power cut on the way it is doubtful."""
        self.doubtful = boot
        if storage.next != len(self.boots):
            raise Wrong("the next page is %d, not %d" % (storage.next, len(self.boots)))
        storage.append(page(storage.next, boot))
        self.boots.append(boot)
        self.doubtful = 0

    def check(self, storage, latest_first):
        """Hold a storage that was just opened to its promises; settles what was doubtful."""
        count = len(self.boots)
        if self.doubtful and storage.next == count + 1:
            self.boots.append(self.doubtful)  # seen once, it must stay
        self.doubtful = 0
        if storage.next < len(self.boots):
            raise Wrong("lost: page %d, next is %d" % (count - 1, storage.next))
        if storage.next > len(self.boots):
            raise Wrong("invented: page %d" % (storage.next - 1))
        if storage.first > latest_first:
            raise Wrong("lost: retired up to %d, not %d" % (storage.first, latest_first))
        for number in range(storage.first, storage.next):
            found = storage.read(number)
            if found is None:
                raise Wrong("lost: page %d cannot be read" % number)
            if found != page(number, self.boots[number]):
                raise Wrong("invented: page %d is another" % number)
        for number in (storage.first - 1, storage.next, storage.next + 1):
            if storage.read(number) is not None:
                raise Wrong("invented: page %d can be read" % number)
        if storage.next > storage.first and storage.newest_boot != self.boots[-1]:
            raise Wrong("boot %d is newest, not %d" % (storage.newest_boot, self.boots[-1]))


class Sweep:
    """One medium, the log it begins with, and what is appended until the cut."""

    def __init__(self, name, medium, before, during, words):
        self.name = name
        self.medium = medium
        self.during = during
        self.words = words
        self.seed = int(words.get("seed", "1"))
        self.eager = words.get("mutant") == "eager"
        self.scenarios = 0
        self.failed = 0
        self.counted = 0  # bad sectors that were met, and counted
        self.log = Log()
        storage, state = medium.open(medium.blank(), Power())
        for _ in range(before + 3 * self.seed - 3 if before else 0):
            self.log.append(storage, 1)
        self.state = state()
        if not isinstance(self.state, bytes):
            self.state = dict(self.state)

    def _storage(self, state, power, bad=None):
        storage, after = self.medium.open(state, power, bad)
        return (_Eager(storage) if self.eager else storage), after

    def operations(self, state, log, boot, pages):
        """How many operations the appends take uncut, and the first page after each."""
        power = Power()
        storage, _ = self.medium.open(state, power)
        log = log.copy()
        log.doubtful = 0
        log.boots = log.boots[: storage.next] + [boot] * max(0, storage.next - len(log.boots))
        firsts = [storage.first]
        for _ in range(pages):
            log.append(storage, boot)
            firsts.append(storage.first)
        return power.count, firsts

    def cut(self, state, log, boot, pages, power):
        """Append until the power goes: (state then, how many appends had returned)."""
        done = 0
        storage, after = self._storage(state, power)
        try:
            for _ in range(pages):
                log.append(storage, boot)
                done += 1
        except (Cut, OSError):
            if not power.off:
                raise
        return after(), done

    def recovered(self, state, log, latest_first):
        """With power again: everything there? And a page goes in and stays."""
        storage, after = self.medium.open(state, Power())
        log.check(storage, latest_first)
        first = storage.first
        log.append(storage, 9)
        again, _ = self.medium.open(after(), Power())
        log.check(again, max(latest_first, storage.first))
        return first

    def run(self, depth):
        total, firsts = self.operations(self.state, self.log, 1, self.during)
        step = int(self.words.get("step", "1"))
        cuts = range(self.seed % step, total, step)
        if "op" in self.words:
            cuts = [int(self.words["op"])]
        for at in cuts:
            for kind in KINDS:
                if kind != self.words.get("kind", kind):
                    continue
                log = self.log.copy()
                state, done = self.cut(self.state, log, 1, self.during, Power(at, kind, self.seed))
                if not isinstance(state, bytes):
                    state = dict(state)
                latest = firsts[min(done + 1, self.during)]
                if self._told("op=%d kind=%s" % (at, kind), state, log, latest) and depth == 2:
                    self._second(at, kind, state, log, latest)

    def _told(self, words, state, log, latest_first):
        self.scenarios += 1
        try:
            self.recovered(state, log.copy(), latest_first)
        except Exception as wrong:  # noqa: BLE001 - whatever goes wrong is a failure to tell
            self.failed += 1
            print(
                "failed: %s: powercut.py %s seed=%d %s" % (repr(wrong), self.name, self.seed, words)
            )
            return False
        return True

    def _second(self, at, kind, state, log, latest_first):
        """The same again with a cut in each operation of the first appends after the cut."""
        storage, _ = self.medium.open(state, Power())
        log = log.copy()
        log.check(storage, latest_first)
        total, firsts = self.operations(state, log, 2, 2)
        cuts = range(total)
        if "op2" in self.words:
            cuts = [int(self.words["op2"])]
        for at2 in cuts:
            for kind2 in KINDS:
                if kind2 != self.words.get("kind2", kind2):
                    continue
                then = log.copy()
                power = Power(at2, kind2, self.seed + at)
                left, done = self.cut(state, then, 2, 2, power)
                if not isinstance(left, bytes):
                    left = dict(left)
                words = "op=%d kind=%s op2=%d kind2=%s" % (at, kind, at2, kind2)
                self._told(words, left, then, firsts[min(done + 1, 2)])

    def bad_sectors(self):
        """Each sector fails in each way from each of some operations on."""
        total, _ = self.operations(self.state, self.log, 1, self.during)
        step = int(self.words.get("step", "1"))
        sectors = self.medium.size_bytes // SECTOR
        for sector in range(sectors):
            for fault in FAULTS:
                for since in range(0, total, 6 * step):
                    if (
                        str(sector) != self.words.get("sector", str(sector))
                        or fault != self.words.get("fault", fault)
                        or str(since) != self.words.get("since", str(since))
                    ):
                        continue
                    self.scenarios += 1
                    try:
                        self._bad_sector((sector, fault, since))
                    except Exception as wrong:  # noqa: BLE001 - whatever goes wrong is a failure to tell
                        self.failed += 1
                        print(
                            "failed: %s: powercut.py %s seed=%d sector=%d fault=%s since=%d"
                            % (repr(wrong), self.name, self.seed, sector, fault, since)
                        )

    def _bad_sector(self, bad):
        log = self.log.copy()
        power = Power(seed=self.seed + bad[0])
        storage, after = self._storage(self.state, power, bad)
        if bad[1] == "read":
            log.boots += [0] * (storage.next - len(log.boots))  # numbers not given again
        for _ in range(self.during):
            log.append(storage, 1)
        # With the sector still bad, all is there but what one that cannot be read holds.
        self._all_but_one(storage, log, bad)
        self.counted += storage.bad > 0
        power.count = 1 << 20
        again, _ = self.medium.open(after(), power, bad)
        if bad[1] == "read":
            log.boots += [0] * (again.next - len(log.boots))
        self._all_but_one(again, log, bad)
        log.append(again, 2)
        if again.read(len(log.boots) - 1) != page(len(log.boots) - 1, 2):
            raise Wrong("lost: page %d" % (len(log.boots) - 1))

    def _all_but_one(self, storage, log, bad):
        lost = []
        for number in range(storage.first, storage.next):
            found = storage.read(number)
            if found is None and log.boots[number]:
                lost.append(number)
            elif found is not None and found != page(number, log.boots[number]):
                raise Wrong("invented: page %d is another" % number)
        if lost and (bad[1] != "read" or sum([len(page(n, 1)) for n in lost]) > SECTOR):
            raise Wrong("lost: pages %s" % lost)
        if lost and not storage.bad:
            raise Wrong("not counted")
        if storage.next != len(log.boots):
            raise Wrong("the next page is %d, not %d" % (storage.next, len(log.boots)))


class _Eager:
    """A broken storage: says that a page is safe before it is."""

    def __init__(self, storage):
        self._storage = storage
        self._held = None

    @property
    def next(self):
        return self._storage.next + (self._held is not None)

    def append(self, data):
        if self._held is not None:
            self._storage.append(self._held)
        self._held = data


def _unchecked(data):
    return records.header(data)


def make(name, words):
    """The sweep of one name."""
    if name == "blank":
        return Sweep(name, Flash(65536), 0, 24, words)
    if name == "flash":
        return Sweep(name, Flash(65536), 140, 24, words)
    if name == "flash2":
        return Sweep(name, Flash(4 * SECTOR), 40, 12, words)
    if name == "files":
        return Sweep(name, Files(65536), 140, 60, words)
    if name == "files2":
        return Sweep(name, Files(4096), 70, 60, words)
    if name == "littlefs":
        return Sweep(name, LittleFs(32768), 60, 40, words)
    if name == "bad":
        return Sweep(name, Flash(16 * SECTOR), 140, 40, words)
    raise ValueError(name)


def run(name, words):
    """Sweep and print one line; how many scenarios failed."""
    mutant = words.get("mutant", "")
    kept = records.check
    kept_stands, kept_drop = NorStorage._stands, NorStorage._drop_half_erased
    sweep = make(name, words)
    if mutant == "unchecked":
        records.check = _unchecked
    elif mutant == "unread":
        NorStorage._stands = lambda self, address, data: True
    elif mutant == "halferased":
        NorStorage._drop_half_erased = lambda self: None
    try:
        if name == "bad":
            sweep.bad_sectors()
        else:
            sweep.run(2 if name.endswith("2") else 1)
    finally:
        records.check = kept
        NorStorage._stands, NorStorage._drop_half_erased = kept_stands, kept_drop
        sweep.medium.close()
    print(
        "%s: %d scenarios, %d failed, %d met a bad sector"
        % (name, sweep.scenarios, sweep.failed, sweep.counted)
    )
    return sweep.failed


if __name__ == "__main__":
    given = [word.split("=") for word in sys.argv[1:] if "=" in word]
    failures = [
        run(name, {word[0]: word[1] for word in given}) for name in sys.argv[1:] if "=" not in name
    ]
    sys.exit(1 if sum(failures) else 0)
