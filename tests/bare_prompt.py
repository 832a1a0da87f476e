"""A bare board's interpreter, run by MicroPython: its prompt, raw prompt and soft reset.

argv: the file that is its flash, bytes of it, descriptors of the light and of what the
bench is told, and what sys.implementation shall claim ("" for the truth); last, if
there is one, code to be run on the flash alone. On
descriptor 0 and 1 is the line. At its start it mounts LittleFS at /, runs main.py, then
shows the prompt. The bench is told: "I" and "i", whether Ctrl-C interrupts what runs; "T" with
milliseconds, a timer that resets the board. Status 3: a soft reset; what the machine does then, the bench
does, by starting this anew.
"""

import builtins
import os
import select
import sys

import vfs

FLASH, SIZE, LIGHT, BENCH, CLAIM = sys.argv[1:6]
BLOCK = 4096


class Chip:
    """NOR flash in a file; every write is told to a journal beside it, where there is one."""

    def __init__(self):
        self.file = open(FLASH, "r+b", buffering=0)
        try:
            self.journal = open(FLASH + ".journal", "ab", buffering=0)
        except OSError:
            self.journal = None

    def readblocks(self, block, buffer, offset=0):
        self.file.seek(block * BLOCK + offset)
        self.file.readinto(buffer)

    def writeblocks(self, block, buffer, offset=0):
        at = block * BLOCK + offset
        self.file.seek(at)
        self.file.write(buffer)
        self.journal.write(at.to_bytes(4, "little") + len(buffer).to_bytes(4, "little"))
        self.journal.write(buffer)

    def ioctl(self, what, _):
        if what == 4:
            return int(SIZE) // BLOCK
        if what == 5:
            return BLOCK
        return 0


line = open(0, "rb", buffering=0)
poll = select.poll()
poll.register(line, select.POLLIN)
bench = open(int(BENCH), "wb", buffering=0)
chip = Chip()
make = vfs.VfsLfs2
try:
    volume = make(chip, progsize=256, readsize=256)
    vfs.umount("/")
except OSError:
    make.mkfs(chip, progsize=256, readsize=256)
    volume = make(chip, progsize=256, readsize=256)
    vfs.umount("/")
vfs.mount(volume, "/")
if sys.argv[6:]:
    exec(sys.argv[6])
    sys.exit(0)
sys.path[:] = ["", "/lib"]


class Timer:
    ONE_SHOT = 0

    def __init__(self, _):
        pass

    def init(self, mode, period, callback):
        bench.write(b"T%d\n" % period)


kept = []
really_open = open


def open(path, *more, **named):
    """As ever; but what the firmware opens by number is not closed when it is swept up."""
    file = really_open(path, *more, **named)
    if isinstance(path, int):
        kept.append(file)
    return file


builtins.open = open


class Machine:
    pass


machine = Machine()
machine.Timer = Timer
machine.reset = None
sys.modules["machine"] = machine
sys.argv[:] = ["main.py", "", LIGHT]


def key():
    while True:
        poll.poll()
        data = line.read(1)
        if data == b"":
            sys.exit(0)
        if data:
            return data


def send(text):
    while text:
        text = text[os_write(text) :]


out = open(1, "wb", buffering=0)


def os_write(text):
    return out.write(text) or 0


def is_provisioned():
    try:
        with really_open("/dial_now") as file:
            return file.read(2) != "--"
    except OSError:
        return False


def run(code, names, firmware=False):
    """As a board does; what was raised, None if nothing was. The firmware takes Ctrl-C for a
    byte of a frame, anything else is interrupted."""
    try:
        bench.write(b"i\n" if firmware else b"I\n")
        try:
            exec(code, names)
        finally:
            bench.write(b"i\n")
    except SystemExit:
        pass
    except BaseException as wrong:
        return wrong
    return None


def told(wrong):
    if CLAIM == "numbers" and isinstance(wrong, OSError):
        return ("Traceback\r\nOSError: %d\r\n" % wrong.args[0]).encode()
    import io

    text = io.StringIO()
    sys.print_exception(wrong, text)
    return text.getvalue().encode()


def raw(names):
    send(b"raw REPL; CTRL-B to exit\r\n>")
    text = b""
    while True:
        byte = key()
        if byte == b"\x02":
            return
        if byte == b"\x03":
            text = b""
        elif byte == b"\x01":
            send(b"raw REPL; CTRL-B to exit\r\n>")
            text = b""
        elif byte == b"\x05" and not text:
            more = key() + key()
            if more == b"A\x01":
                text = pasted()
                if text is None:
                    text = b""
                else:
                    answer(text, names)
                    text = b""
        elif byte == b"\x04":
            if not text:
                send(b"OK\r\n")
                sys.exit(3)
            send(b"OK")
            answer(text, names)
            text = b""
        else:
            text += byte


def pasted():
    window = 1024
    send(b"R\x01" + window.to_bytes(2, "little"))
    text = bytearray()
    while True:
        byte = key()
        if byte == b"\x04":
            send(b"\x04")
            return bytes(text)
        if byte == b"\x03":
            send(b"\x04")
            return None
        text += byte
        if len(text) % window == 0:
            send(b"\x01")


def answer(text, names):
    wrong = run(text.decode(), names)
    send(b"\x04" + (told(wrong) if wrong else b"") + b"\x04>")


names = {"__name__": "__main__"}
if CLAIM not in ("", "numbers"):
    # What runs at the prompt sees the interpreter that is claimed.
    real = builtins.__import__

    class Claimed:
        name, version, _mpy = eval(CLAIM)

    class Sys:
        implementation = Claimed
        platform = sys.platform
        path = sys.path

    builtins.__import__ = lambda name, *more: Sys if name == "sys" else real(name, *more)
else:
    try:
        os.stat("/main.py")
        here = True
    except OSError:
        here = False
    if here:
        wrong = run(open("/main.py").read(), names, is_provisioned())
        if wrong:
            send(told(wrong))
send(b"MicroPython 1.29 on a bench\r\n>>> ")
typed = False
while True:
    byte = key()
    if byte in (b"\r", b"\x03"):
        typed = False
        send(b"\r\n>>> ")
    elif typed or byte > b"\x04":
        typed = True  # where something is typed, the others have no meaning
    elif byte == b"\x01":
        raw(names)
        send(b"\r\nMicroPython 1.29 on a bench\r\n>>> ")
    elif byte == b"\x04":
        send(b"\r\nMPY: soft reboot\r\n")
        sys.exit(3)
    else:
        send(b"\r\n>>> ")
