"""The server: a page with a terminal in it, and the application at the other end.

One window watches at a time: a board talks to one program. Others wait, are told so, and
have their turn when the one before them closes.
"""

from __future__ import annotations

import asyncio
import errno
import json
import os
import signal
import socket
from collections.abc import Callable, Mapping, Sequence
from contextlib import aclosing
from typing import Any

from aiohttp import WSMsgType, web

from dialbench.watch.web.address import WebError, answers_to, url
from dialbench.watch.web.child import Child
from dialbench.watch.web.files import HEADERS, Served

_HEARTBEAT_S = 10.0  # a window that does not answer for so long has gone
_CLOSE_S = 2.0
_MOST_WINDOWS = 8
_MOST_BYTES = 1 << 16  # of one message of a window: keys, or a paste
_SIDES = (1000, 400)  # columns and rows that a window can have at most
_WAIT = (
    "\x1b[2J\x1b[H\r\n  Another window is watching this dial. A board talks to one at a time.\r\n"
    "  Close that one, and the watch begins here."
)


class Server:
    """Serves one command's application, and the files around it, on one socket."""

    def __init__(
        self, command: Sequence[str], files: Mapping[str, Served], listener: socket.socket
    ) -> None:
        self._command = command
        self._files = files
        self._listener = listener
        self._address, self._port = listener.getsockname()[:2]
        self._seat = asyncio.Lock()
        self._windows: set[asyncio.Task[None]] = set()

    @property
    def url(self) -> str:
        """What to type into a browser."""
        return url(self._address, self._port)

    async def run(self, ready: Callable[[], None]) -> None:
        """Serve until SIGINT or SIGTERM; when it returns, no process of the application is
        left. ready is called once windows may come."""
        stopping = asyncio.Event()
        for number in (signal.SIGINT, signal.SIGTERM):
            asyncio.get_running_loop().add_signal_handler(number, stopping.set)
        runner = web.AppRunner(self.application(), access_log=None)
        await runner.setup()
        try:
            await web.SockSite(runner, self._listener).start()
            ready()
            await stopping.wait()
        finally:
            await runner.cleanup()

    def application(self) -> web.Application:
        """The requests that are answered."""
        made = web.Application(middlewares=[self._guard])
        made.router.add_get("/ws", self._window)
        for path, file in self._files.items():
            made.router.add_get(path, _handing_out(file))
        made.on_shutdown.append(self._close_windows)
        return made

    @web.middleware
    async def _guard(self, request: web.Request, handler: Any) -> web.StreamResponse:
        if not answers_to(request.host, self._address, self._port):
            raise web.HTTPForbidden(text=f"This is {self.url}\n", headers=HEADERS)
        response: web.StreamResponse = await handler(request)
        return response

    async def _window(self, request: web.Request) -> web.StreamResponse:
        # Only our own page: a page of another site says another origin.
        if request.headers.get("Origin") != f"http://{request.host}":
            raise web.HTTPForbidden(text=f"Open {self.url}\n", headers=HEADERS)
        if len(self._windows) >= _MOST_WINDOWS:
            raise web.HTTPServiceUnavailable(text="Too many windows are open.\n", headers=HEADERS)
        window = web.WebSocketResponse(
            heartbeat=_HEARTBEAT_S, timeout=_CLOSE_S, max_msg_size=_MOST_BYTES
        )
        await window.prepare(request)
        child = Child(self._command)
        child.resize(
            _side(request.query.get("width", ""), 80, _SIDES[0]),
            _side(request.query.get("height", ""), 24, _SIDES[1]),
        )
        hearing = asyncio.create_task(_hear(window, child))
        showing = asyncio.create_task(self._show(window, child))
        self._windows.add(hearing)
        try:
            await asyncio.wait((hearing, showing), return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in (hearing, showing):
                task.cancel()
            await asyncio.wait((hearing, showing))
            self._windows.discard(hearing)
            await window.close()
        return window

    async def _show(self, window: web.WebSocketResponse, child: Child) -> None:
        if self._seat.locked():
            await window.send_bytes(_WAIT.encode())
        async with self._seat:
            async with aclosing(child.output()) as output:
                async for data in output:
                    await window.send_bytes(data)
            if words := child.last_words():
                await window.send_bytes(f"\x1b[?1049l\x1b[2J\x1b[H{words}\r\n".encode())

    async def _close_windows(self, _: web.Application) -> None:
        for hearing in self._windows:
            hearing.cancel()


async def _hear(window: web.WebSocketResponse, child: Child) -> None:
    """What the window says, to the child, until the window is closed or talks nonsense."""
    async for message in window:
        if message.type is not WSMsgType.TEXT:
            return
        try:
            kind, *rest = json.loads(message.data)
            match kind, rest:
                case "stdin", [str(keys)]:
                    child.type(keys)
                case "resize", [{"width": int(width), "height": int(height)}]:
                    child.resize(_within(width, _SIDES[0]), _within(height, _SIDES[1]))
                case "ping", [str(word)]:
                    await window.send_json(["pong", word])
        except (ValueError, TypeError, RecursionError):
            return


def _side(text: str, usual: int, most: int) -> int:
    """A number of columns or rows out of an address: usual where it is none."""
    if not (text.isascii() and text.isdigit() and len(text) < 6):
        return usual
    return _within(int(text), most)


def _within(number: int, most: int) -> int:
    return max(1, min(number, most))


def _handing_out(file: Served) -> Callable[[web.Request], Any]:
    async def hand_out(_: web.Request) -> web.Response:
        return web.Response(body=file.content, content_type=file.kind, headers=HEADERS)

    return hand_out


def bound(address: str, port: int) -> socket.socket:
    """A socket that listens on the address; port 0 takes a free one. Raises WebError."""
    try:
        return socket.create_server(
            (address, port), family=socket.AF_INET6 if ":" in address else socket.AF_INET
        )
    except OSError as wrong:
        # Its own words repeat the address; those of its number do not.
        why = os.strerror(wrong.errno) if wrong.errno else str(wrong)
        if wrong.errno in (errno.EADDRINUSE, errno.EACCES):
            mend = "give another --web-port, or none for a free one"
        else:
            mend = "give --web-host an address that this machine has"
        raise WebError(f"{address} port {port} cannot be listened on ({why}): {mend}") from wrong


def serve(
    command: Sequence[str],
    files: Mapping[str, Served],
    address: str,
    port: int,
    ready: Callable[[str, int], None],
) -> None:
    """Serve files and the application that command runs, until this process is told to end.

    address is an IP address of this machine, port 0 a free one; ready gets the URL and the
    port once a browser may come. Raises WebError.
    """
    with bound(address, port) as listener:

        async def whole() -> None:
            server = Server(command, files, listener)
            await server.run(lambda: ready(server.url, listener.getsockname()[1]))

        asyncio.run(whole())
