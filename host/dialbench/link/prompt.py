"""MicroPython's prompt at the far end of a line: telling that it is there, and leaving it.

Ctrl-A and Ctrl-B enter and leave the raw prompt, Ctrl-C interrupts, Ctrl-D at an empty line
starts the board's program anew (MicroPython's documentation, "The MicroPython interactive
interpreter mode"; from memory).
"""

from __future__ import annotations

import time

from dialbench.link.errors import LinkError
from dialbench.link.transport import Line

# An empty line first, which harms nothing; a prompt may also be in the middle of something,
# for what greets a dial is any keys to it. It says so, and only then is it interrupted: what
# talks on by itself is another device.
QUESTIONS = (b"\x02\r", b"\x03\x02\r")
PATIENCE_S = 0.3
_INTERRUPT = b"\r\x03\x03\x02"
_SOFT_RESET = b"\x04"
_SIGNS = (b">>>", b"raw REPL")
_UNFINISHED = (b"...", b"===")  # a statement of several lines; text that is being pasted
_KEPT = 64


def seen(text: bytes) -> bool:
    """Whether text, the last that came, is of a prompt."""
    return any(sign in text for sign in _SIGNS)


def unfinished(text: bytes) -> bool:
    """Whether text, the last that came, is of a prompt that waits for the rest of something."""
    return text.rstrip(b" ").endswith(_UNFINISHED)


def leave(line: Line, name: str, within_s: float = 3.0) -> None:
    """Have the board at the prompt start its program anew.

    Raises LinkError where no prompt shows within so many seconds, LinkLost.
    """
    line.send(_INTERRUPT)
    heard = b""
    until_s = time.monotonic() + within_s
    while not seen(heard):
        if time.monotonic() > until_s:
            raise LinkError(
                f"no prompt shows at {name}: take its power away for a moment, and the firmware"
                " starts by itself"
            )
        heard = (heard + line.receive())[-_KEPT:]
    line.send(_SOFT_RESET)
