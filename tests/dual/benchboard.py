"""A board for tests, in memory, with the methods every board has; both runtimes."""

import json
import os
from array import array

from dialcore import framing, messages
from dialnode.board_virtual import EncoderRegisters, Registers
from dialnode.storage_files import FileStorage

TICKS = 0x3FFFFFFF
HALF = 0x20000000
SESSION = 0x0605


def scratch(name):
    """A fresh empty folder under the working folder."""
    folder = "scratch-" + name
    wipe(folder)
    os.mkdir(folder)
    return folder


def wipe(path):
    """Remove a file or a folder with all that is in it; nothing there is fine."""
    try:
        names = os.listdir(path)
    except OSError:
        try:
            os.remove(path)
        except OSError:
            pass
        return
    for name in names:
        wipe(path + "/" + name)
    os.rmdir(path)


class BenchBoard:
    """Scans and line are queues the test fills; time is what the test says."""

    uid = b"benchbrd"

    def __init__(self, folder, channels=4, boot=1, start_ms=0, config=None):
        self._folder = folder
        self.config_path = folder + "/config.json"
        self.boot = boot
        self.running = True
        self.channels = channels
        self.now = start_ms
        self.scans = []
        self.heard = b""
        self.said = b""
        self.greeted = False
        self.room = 1 << 30  # bytes the line still takes
        self.chip = None  # a function from self.now to what a clock chip shows, Unix ms
        self.stood_still = False
        self.registers = Registers()
        self.encoder = EncoderRegisters()
        self.encoder_says = (
            None  # a function from self.now to an encoder's word in a frame of light
        )
        self.bus_reads = 0
        self.bus_ms = 0  # what one look at the chip takes
        self.seconds_wired = True  # whether the chip's 1 Hz reaches the board
        self.weak = False  # its supply
        self.settle_us = 40
        self.rested = 0
        self.lamp_on = False
        self.sky_says = b""  # a satellite receiver's bytes
        facts = {
            "dial_hash": "00112233445566ff",
            "scan_ms": 1000,
            "commit_s": 600,
            "log_bytes": 65536,
            "dark": [100] * channels,
            "scale": [1024] * channels,
            "sky_dark": 50,
            "shade_dark": 50,
            "shade_q10": 1280,
            "gate_on": 6100,
            "gate_off": 5900,
        }
        facts.update(config or {})
        with open(self.config_path, "w") as file:
            file.write(json.dumps(facts))

    def setup(self, config):
        pass

    def storage(self, kind, limit_bytes):
        assert kind == "files"
        folder = self._folder + "/log"
        try:
            os.mkdir(folder)
        except OSError:
            pass
        return FileStorage(folder, limit_bytes)

    def ticks_ms(self):
        return self.now & TICKS

    def ticks_diff(self, later, earlier):
        return (later - earlier + HALF & TICKS) - HALF

    def scan(self, counts):
        if not self.scans:
            return False
        self.now, fresh = self.scans.pop(0)
        for i in range(len(fresh)):
            counts[i] = fresh[i]
        return True

    def link_read(self, buffer):
        size = min(len(buffer), len(self.heard))
        buffer[:size] = self.heard[:size]
        self.heard = self.heard[size:]
        return size

    def link_write(self, data):
        size = min(len(data), self.room)
        self.said += bytes(data[:size])
        self.room -= size
        return size

    def i2c_read(self, address, register, buffer):
        self.bus_reads += 1
        self.now += self.bus_ms
        if address == self.encoder.ADDRESS:
            self.encoder.show(self.encoder_says(self.now) if self.encoder_says else 0)
            self.encoder.read(register, buffer)
            return
        self.registers.show(
            self.chip(self.now) // 1000 if self.chip else 0, self.chip is not None, self.stood_still
        )
        self.registers.read(address, register, buffer)

    def i2c_write(self, address, register, data):
        self.registers.write(address, register, data)

    def probe(self, before, root, leaf):
        return 100 * before + 16 * root + leaf + 100

    def supply_mv(self):
        return 5000

    def tick_count(self):
        return self.chip(self.now) // 1000 & TICKS if self.chip and self.seconds_wired else 0

    def tick_ticks(self):
        return self.now - (self.chip(self.now) if self.chip else 0) % 1000 & TICKS

    def nmea_read(self, buffer):
        size = min(len(buffer), len(self.sky_says))
        buffer[:size] = self.sky_says[:size]
        self.sky_says = self.sky_says[size:]
        return size

    def idle(self, busy):
        """Nothing left to do is the end of the test's run."""
        if not self.scans and not self.heard and not busy:
            self.running = False

    def rest(self):
        self.rested += 1
        self.idle(False)

    def lamp(self, on):
        self.lamp_on = on

    def stop(self):
        pass

    def runtime(self):
        return "bench"

    def heap_bytes(self):
        return 0

    def heap_free(self):
        return 0

    def light(self, at_ms, direct, diffuse, lit):
        """Queue one scan: direct and diffuse in counts, lit a fraction per channel."""
        counts = [50 + int(direct + diffuse), 50 + int(diffuse * 0.8)]
        for fraction in lit:
            counts.append(100 + int(direct * fraction))
        self.scans.append((at_ms, array("H", counts)))

    def ask(self, kind, payload=b"", sequence=7, session=SESSION):
        """Queue a request; the first one is preceded by the HELLO it needs, with number 0."""
        if kind == messages.HELLO:
            self.greeted = True
        elif not self.greeted:
            self.ask(messages.HELLO, messages.pack_ask_hello(session, False), 0)
        self.heard += framing.encode(messages.body(kind, sequence, payload, session))

    def answers(self):
        """All bodies said so far, as (kind, sequence, payload), but for answers to ask's HELLO."""
        bodies = [messages.split(body) for body in framing.Decoder().received(self.said)]
        self.said = b""
        unasked = (messages.HELLO | messages.ANSWER, 0)
        return [(b[0], b[1], b[3]) for b in bodies if b[:2] != unasked]


class Stubborn(FileStorage):
    """Refuses to write, in the way asked for."""

    def __init__(self, *arguments):
        FileStorage.__init__(self, *arguments)
        self.refuse = 0
        self.tries = 0

    def _write(self, page):
        self.tries += 1
        if self.refuse:
            with open(self._path(self.next if self._room <= 0 else self._files[-1]), "ab") as file:
                file.write(page[:10])
            self._room = 0
            raise OSError(self.refuse)
        FileStorage._write(self, page)
