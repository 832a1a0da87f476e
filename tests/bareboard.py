"""A bare board on a serial port: MicroPython at its prompt, with a file system of its own.

Its power can be cut and given, its flash be filled, read and set back to any of the
writes that it has seen. See bare_prompt.
"""

import os
import pty
import select
import shutil
import signal
import socket
import struct
import subprocess
import sys
import threading
import time
import tty
from contextlib import contextmanager
from pathlib import Path

SIZE = 1 << 20
_PROMPT = Path(__file__).with_name("bare_prompt.py")


class BareBoard:
    """A context manager; port is its name. files: what is on it at first, by path.
    claim: what its interpreter claims to be; see bare_prompt. image: a copy of a flash to
    begin with. hurry: what a second of a timer takes on the bench."""

    hurry = 1.0

    def __init__(self, folder, files=(), size=SIZE, claim="", image=None):
        self.flash = folder / "flash.bin"
        self.size = size
        self.claim = claim
        self.interruptible = False
        self.resets_at = None
        self.timers = 0
        if image is not None:
            shutil.copy(image, self.flash)
            Path(f"{self.flash}.journal").touch()
        self._files = dict(files) | {"/uid": b"00112233445566aa"}
        self.starts = 0

    def __enter__(self):
        if not self.flash.exists():
            self.flash.write_bytes(b"\xff" * self.size)
            Path(f"{self.flash}.journal").touch()
            for path, data in self._files.items():
                self.offline(f"f=open({path!r},'wb')\nf.write({data!r})\nf.close()")
        self._far, near = pty.openpty()
        tty.setraw(near)
        self._near = near
        self.port = os.ttyname(near)
        os.set_blocking(self._far, False)
        self._stop, self._stopping = os.pipe()
        self._commands = []
        self._lock = threading.Lock()
        self._process = None
        self._power(True)
        self._thread = threading.Thread(target=self._live, daemon=True)
        self._thread.start()
        return self

    def __exit__(self, *_):
        os.write(self._stopping, b"!")
        self._thread.join(10)
        assert not self._thread.is_alive()
        self._power(False)
        for end in (self._far, self._near, self._stop, self._stopping):
            os.close(end)

    def offline(self, code):
        """Run code on the flash, the board's power off; what it printed."""
        command = [*_MICROPYTHON, str(_PROMPT), str(self.flash), str(self.size), "0", "1", "", code]
        ran = subprocess.run(
            command,
            capture_output=True,
            stdin=subprocess.DEVNULL,
            text=True,
            timeout=20,
            check=False,
        )
        assert ran.returncode == 0, ran.stdout + ran.stderr
        return ran.stdout

    def read(self, path):
        """A file of the board's, its power off or on; None where there is none."""
        got = self.offline(
            f"try:\n print(repr(open({path!r},'rb').read()))\nexcept OSError:print(None)"
        )
        return eval(got)

    @contextmanager
    def off(self):
        """Its power is off within."""
        with self._lock:
            self._power(False)
            try:
                yield
            finally:
                self._power(True)

    def cycle(self):
        """Power off, and on again."""
        with self.off():
            pass

    def writes(self):
        """All writes to its flash so far: (offset, bytes)."""
        data = Path(f"{self.flash}.journal").read_bytes()
        found, at = [], 0
        while at < len(data):
            offset, size = struct.unpack_from("<II", data, at)
            found.append((offset, data[at + 8 : at + 8 + size]))
            at += 8 + size
        return found

    def _power(self, on):
        if not on:
            self._process.kill()
            self._process.wait()
            self._line.close()
            os.close(self._light)
            os.close(self._bench)
            return
        self.starts += 1
        self.resets_at = None
        self.interruptible = False
        self._line, theirs = socket.socketpair()
        self._line.setblocking(False)
        theirs.setblocking(False)
        light, self._light = os.pipe()
        os.set_blocking(light, False)
        self._bench, bench = os.pipe()
        self._process = subprocess.Popen(
            [*_MICROPYTHON, str(_PROMPT), str(self.flash), str(self.size), str(light), str(bench)]
            + [self.claim],
            stdin=theirs,
            stdout=theirs,
            stderr=theirs,
            pass_fds=(light, bench),
        )
        theirs.close()
        os.close(light)
        os.close(bench)

    def _live(self):
        while True:
            with self._lock:
                line, bench = self._line, self._bench
                ready = select.select([self._far, line, bench, self._stop], [], [], 0.02)[0]
                if self._stop in ready:
                    return
                if bench in ready:
                    self._told(os.read(bench, 4096))
                if self._far in ready:
                    self._typed(os.read(self._far, 4096))
                if line in ready:
                    data = _received(line)
                    while data:
                        try:
                            data = data[os.write(self._far, data) :]
                        except BlockingIOError:
                            time.sleep(0.001)
                if self._process.poll() is not None or self._late():
                    self._power(False)
                    self._power(True)
            time.sleep(0)

    def _late(self):
        return self.resets_at is not None and time.monotonic() > self.resets_at

    def _told(self, text):
        for word in text.split():
            if word[:1] == b"T":
                self.timers += 1
                self.resets_at = time.monotonic() + self.hurry * int(word[1:]) / 1000
            else:
                self.interruptible = word == b"I"

    def _typed(self, data):
        if self.interruptible and b"\x03" in data:
            self._process.send_signal(signal.SIGINT)
            data = data[data.rindex(b"\x03") + 1 :]
        while data:
            try:
                data = data[self._line.send(data) :]
            except BlockingIOError:
                time.sleep(0.001)
            except OSError:
                return


def _received(line):
    try:
        return line.recv(65536)
    except ConnectionResetError:
        return b""  # it has ended


_MICROPYTHON = [
    sys.executable,
    "-c",
    "import micropython, sys; sys.exit(micropython.main())",
    "-X",
    "heapsize=256wK",
]
