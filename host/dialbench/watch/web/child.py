"""One process of the watch application, as the server sees it: packets in, packets out.

A packet is a letter ("D" for what a terminal would get, "M" for a JSON object about the
application), its size in four bytes, and its content: Textual's WebDriver speaks so.
"""

from __future__ import annotations

import asyncio
import json
import os
import sys
from asyncio.subprocess import PIPE, Process
from collections import deque
from collections.abc import AsyncGenerator, Sequence

from dialbench.errors import inert

END_S = 6.0  # more than the application takes to end by itself: see piped.py
_BEGIN = b"__GANGLION__\n"  # what the driver says first
_MOST = 1 << 24  # bytes of one packet
_LISTEN_S = 1.0
_TOLD = 20  # lines kept of what it said on stderr
_LINE = 2000  # bytes of one of them


def _environment(width: int, height: int) -> dict[str, str]:
    return {
        **os.environ,
        "TEXTUAL_DRIVER": "dialbench.watch.web.piped:PipedDriver",
        "TEXTUAL_COLOR_SYSTEM": "truecolor",
        "TERM": "xterm-256color",  # whatever terminal the server was started in
        "PYTHONIOENCODING": "utf-8",
        "COLUMNS": str(width),
        "ROWS": str(height),
    }


class Child:
    """A command that runs the application with the driver piped.py. It ends when its
    standard input does: at end(), and also when this process is no more."""

    def __init__(self, command: Sequence[str]) -> None:
        self._command = command
        self._process: Process | None = None
        self._size = (80, 24)
        self._told: deque[str] = deque(maxlen=_TOLD)

    async def output(self) -> AsyncGenerator[bytes]:
        """Start it, and give what it sends to its terminal until it ends."""
        self._process = await asyncio.create_subprocess_exec(
            *self._command,
            stdin=PIPE,
            stdout=PIPE,
            stderr=PIPE,
            env=_environment(*self._size),
            start_new_session=True,  # Ctrl-C in the server's terminal is the server's
        )
        hearing = asyncio.create_task(self._hear_errors(self._process))
        out = self._process.stdout
        assert out is not None
        try:
            while (line := await out.readline()) != _BEGIN:
                if not line:
                    return
            while True:
                head = await out.readexactly(5)
                size = int.from_bytes(head[1:], "big")
                if size > _MOST:
                    return
                content = await out.readexactly(size)
                if head[:1] == b"D":
                    yield content
        except (asyncio.IncompleteReadError, ValueError):
            return  # it has ended, or never was the application
        finally:
            await self.end()
            # What it left running may hold the pipe a moment longer.
            await asyncio.wait((hearing,), timeout=_LISTEN_S)
            hearing.cancel()

    def type(self, text: str) -> None:
        """Keys, as a terminal sends them. Before the start and after the end: nothing."""
        self._send(b"D", text.encode())

    def resize(self, width: int, height: int) -> None:
        """Its terminal has so many columns and rows from now on."""
        self._size = (width, height)
        self._send(b"M", json.dumps({"type": "resize", "width": width, "height": height}).encode())

    def last_words(self) -> str:
        """What a process that failed said at the end; "" if it ended well."""
        ended_well = self._process is None or self._process.returncode == 0
        return "" if ended_well else "\r\n".join(self._told)

    async def end(self) -> None:
        """Have it end, and wait until it has."""
        process = self._process
        if process is None or process.stdin is None:
            return
        process.stdin.close()
        try:
            await asyncio.wait_for(process.wait(), END_S)
        except TimeoutError:
            process.kill()
            await process.wait()

    def _send(self, kind: bytes, content: bytes) -> None:
        process = self._process
        if process is None or process.stdin is None or process.stdin.is_closing():
            return
        if process.stdin.transport.get_write_buffer_size() < _MOST:  # else it hears nothing
            process.stdin.write(kind + len(content).to_bytes(4, "big") + content)

    async def _hear_errors(self, process: Process) -> None:
        assert process.stderr is not None
        rest = b""
        while chunk := await process.stderr.read(_LINE):
            *lines, rest = (rest + chunk).split(b"\n")
            rest = rest[:_LINE]
            self._tell(lines)
        self._tell([rest] if rest else [])

    def _tell(self, lines: Sequence[bytes]) -> None:
        for line in lines:
            self._told.append(inert(line[:_LINE].decode(errors="replace")))
            print(self._told[-1], file=sys.stderr, flush=True)
