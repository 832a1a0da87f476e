"""A few modules and a main.py, run by CPython, by MicroPython and by an emulated Cortex-M0.

A program is a mapping of file names to bytes, all in one folder. It prints lines, the
last one `done`. The third runtime is MicroPython 1.9.2 on the board that QEMU calls
microbit: 9 KB of heap, and floats of 32 bits whose last two are cut off, because that
build keeps a float and the mark of its type in one word. Its image comes out of the
package uflash, which embeds it; its file system is written into the image, so nothing
has to be fed through the emulated serial line.
"""

import importlib.util
import os
import subprocess
import sys
import threading
from functools import cache
from pathlib import Path

ROOT = Path(__file__).parents[2]
IMAGE = ROOT / ".image" / "uflash.py"
TIMEOUT_S = 40

# The image's file system: chunks of 128 bytes, numbered from 1; the first byte names the
# chunk before, or starts a file; the last one names the chunk after, or ends it.
FLASH_BYTES = 0x40000
FILES_AT, FILES_END = 0x38C00, 0x3F800
CHUNK_BYTES = 128
STARTS, ENDS, SPARE = 0xFE, 0xFF, 0xFD


class ProgramError(Exception):
    """A program did not come to its end."""


def cpython(program, folder):
    _write(program, folder)
    return _to_the_end([sys.executable, "main.py"], folder)


def micropython(program, folder):
    """Real MicroPython, built for this computer; the same start as in conftest.py."""
    _write(program, folder)
    start = "import micropython, sys; sys.exit(micropython.main())"
    return _to_the_end([sys.executable, "-c", start, "main.py"], folder)


def emulated(program, folder):
    image = _flash()
    _put_files(image, program)
    (folder / "flash.bin").write_bytes(image)
    machine = "qemu-system-arm -M microbit -display none -monitor none -serial stdio -device"
    return _to_the_end([*machine.split(), "loader,file=flash.bin,addr=0"], folder)


def _write(program, folder):
    for name, content in program.items():
        (folder / name).write_bytes(content)


def _to_the_end(command, folder):
    """The lines up to `done`; the process is stopped there: a board never ends by itself."""
    with subprocess.Popen(
        command,
        cwd=folder,
        env={**os.environ, "MICROPYPATH": f".{os.pathsep}.frozen"},
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
    ) as process:
        watchdog = threading.Timer(TIMEOUT_S, process.kill)
        watchdog.start()
        try:
            lines = []
            for line in process.stdout:
                # The emulated line sends a zero byte when it wakes.
                lines.append(line.decode("latin-1").strip("\0\r\n"))
                if lines[-1] == "done":
                    return lines[:-1]
                if lines[-1].endswith("Error") or "Error: " in lines[-1]:
                    break
            raise ProgramError("\n".join([*command, *lines]))
        finally:
            watchdog.cancel()
            process.kill()


@cache
def _universal_hex():
    if not IMAGE.is_file():
        raise FileNotFoundError("no image in .image: see DEVELOPERS.md")
    spec = importlib.util.spec_from_file_location("uflash", IMAGE)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module._RUNTIME


def _flash():
    """The flash of the first kind of board that the hex text holds (Intel hex records)."""
    flash = bytearray(b"\xff" * FLASH_BYTES)
    base, first_kind = 0, False
    for line in _universal_hex().split():
        record = bytes.fromhex(line[1:])
        count, offset, kind = record[0], int.from_bytes(record[1:3], "big"), record[3]
        data = record[4 : 4 + count]
        if kind == 0x0A:  # here begins the part of one kind of board
            first_kind = data[:2] == b"\x99\x00"
        elif kind == 0x04:
            base = int.from_bytes(data, "big") << 16
        elif kind == 0x00 and first_kind and base + offset + count <= FLASH_BYTES:
            flash[base + offset : base + offset + count] = data
    return flash


def _put_files(flash, program):
    chunks = []
    for name, content in program.items():
        stream = bytes([0, len(name)]) + name.encode() + content
        room = CHUNK_BYTES - 2
        parts = [stream[i : i + room] for i in range(0, len(stream) + 1, room)]
        parts[0] = bytes([len(stream) % room]) + parts[0][1:]
        for k, part in enumerate(parts):
            here = len(chunks) + 1
            before = STARTS if k == 0 else here - 1
            after = ENDS if k == len(parts) - 1 else here + 1
            chunks.append(bytes([before]) + part.ljust(room, b"\xff") + bytes([after]))
    files = b"".join(chunks)
    if len(files) > FILES_END - FILES_AT:
        raise ProgramError(f"{len(files)} bytes of files do not fit")
    flash[FILES_AT : FILES_AT + len(files)] = files
    flash[FILES_END] = SPARE
