"""A serial line of so many bytes a second, between a board's pseudo-terminal and another one.

Each direction is carried by a thread of its own: what it reads, at most 64 bytes at a time, it
passes on when the last of them would have arrived at 10 bits a byte. What waited meanwhile
counts on from that instant, so that a late wake-up is made up for and the rate holds in the
mean; what did not counts from when it came: a line with nothing to carry saves up no time.
"""

import os
import pty
import select
import threading
import time
import tty
from contextlib import contextmanager

_CHUNK = 64


def _carry(source, sink, bytes_a_second, ended):
    free_s = 0.0
    while not ended.is_set():
        if not select.select([source], [], [], 0)[0]:
            if not select.select([source], [], [], 0.1)[0]:
                continue
            free_s = time.monotonic()
        data = os.read(source, _CHUNK)
        free_s += len(data) / bytes_a_second
        time.sleep(max(0.0, free_s - time.monotonic()))
        os.write(sink, data)


@contextmanager
def line(port, bytes_a_second):
    """The name of a port that reaches the board on port over such a line."""
    board = os.open(port, os.O_RDWR | os.O_NOCTTY)
    far, near = pty.openpty()
    for end in (board, near):
        tty.setraw(end)
    ended = threading.Event()
    threads = [
        threading.Thread(target=_carry, args=(source, sink, bytes_a_second, ended), daemon=True)
        for source, sink in ((board, far), (far, board))
    ]
    for thread in threads:
        thread.start()
    try:
        yield os.ttyname(near)
    finally:
        ended.set()
        for thread in threads:
            thread.join(10)
        for end in (board, far, near):
            os.close(end)
