"""The watch in a browser, with the real application behind it."""

from __future__ import annotations

import asyncio
import io
import json
import os
import signal
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import aiohttp
import pytest
from aiohttp import web
from PIL import Image
from tests.chromium import Tab, chromium
from tests.e2e.test_terminal import DIALBENCH, Terminal

# So slow that the face stays as it is for as long as a test looks at it.
VIRTUAL = ["watch", "--virtual", "--at", "2027-04-16T11:20Z", "--speed", "0.1"]


class Served:
    """dialbench watch --web in a process of its own."""

    def __init__(self) -> None:
        self.process = subprocess.Popen(
            [*DIALBENCH, *VIRTUAL, "--web", "--json"], stdout=subprocess.PIPE, text=True
        )
        assert self.process.stdout is not None
        told = json.loads(self.process.stdout.readline())
        assert told["schema"] == "dialbench.web/1" and told["loopback"]
        self.url: str = told["url"]

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGTERM)
            self.process.wait(20)
        assert self.process.stdout is not None
        self.process.stdout.close()


@pytest.fixture
def served() -> Iterator[Served]:
    one = Served()
    yield one
    one.close()


def below(pid: int) -> list[int]:
    """The processes that a process has started, and those that these have."""
    listed = subprocess.run(["pgrep", "-P", str(pid)], capture_output=True, text=True, check=False)
    children = [int(word) for word in listed.stdout.split()]
    return [each for child in children for each in (child, *below(child))]


def alive(pid: int) -> bool:
    try:
        stat = Path(f"/proc/{pid}/stat").read_text()
    except OSError:
        return False
    return stat.rpartition(")")[2].split()[0] != "Z"  # dead, and only not yet counted


async def until(holds: Callable[[], Any], seconds: float = 30) -> None:
    end = time.monotonic() + seconds
    while not holds():
        assert time.monotonic() < end, "it never came to hold"
        await asyncio.sleep(0.05)


async def watched(session: aiohttp.ClientSession, url: str) -> aiohttp.ClientWebSocketResponse:
    """A window without a browser, once the application has drawn into it."""
    socket = await session.ws_connect(
        f"{url}ws?width=100&height=36", headers={"Origin": url.rstrip("/")}
    )
    seen = b""
    while b"predicted" not in seen:
        seen += await socket.receive_bytes(timeout=30)
    return socket


@pytest.mark.deep
@pytest.mark.timeout(120)
@pytest.mark.parametrize("sign", [signal.SIGINT, signal.SIGTERM, signal.SIGKILL])
def test_no_process_outlives_the_server(served: Served, sign: signal.Signals) -> None:
    async def script() -> None:
        async with aiohttp.ClientSession() as session:
            await watched(session, served.url)
            started = below(served.process.pid)
            assert len(started) >= 2  # the application, and its virtual board's firmware
            served.process.send_signal(sign)
            await until(lambda: served.process.poll() is not None)
            await until(lambda: not any(map(alive, started)), 12)
            assert served.process.returncode == (-sign if sign == signal.SIGKILL else 0)

    asyncio.run(script())


class Picture:
    """A tab's picture, read as the terminal in it: which halves of its cells are painted."""

    def __init__(self, png: bytes, left: float, top: float, cell: tuple[float, float]) -> None:
        self._pixels = Image.open(io.BytesIO(png)).convert("RGB")
        self._corner, self._cell = (left, top), cell
        self.ground = self.at(0, 3, 0.5)

    def at(self, x: int, y: int, down: float) -> tuple[int, ...]:
        """The colour in the middle of column x of row y, so far down in it."""
        (left, top), (width, height) = self._corner, self._cell
        colour = self._pixels.getpixel((left + (x + 0.5) * width, top + (y + down) * height))
        assert isinstance(colour, tuple)
        return colour

    def painted(self, x: int, y: int, down: float) -> bool:
        """Whether that is no ground there."""
        pairs = zip(self.at(x, y, down), self.ground, strict=True)
        return max(abs(one - other) for one, other in pairs) > 40


INK = {" ": (False, False), "█": (True, True), "▀": (True, False), "▄": (False, True)}


async def grid(tab: Tab) -> tuple[int, int]:
    """Columns and rows of the terminal in a page, as it told the server."""
    await until(lambda: any(url.startswith("ws:") for url in tab.asked))
    [address] = [url for url in tab.asked if url.startswith("ws:")]
    query = dict(pair.split("=") for pair in address.partition("?")[2].split("&"))
    return int(query["width"]), int(query["height"])


async def picture(tab: Tab) -> Picture:
    columns, rows = await grid(tab)
    left, top, width, height = await tab.evaluate(
        "(() => { const r = document.querySelector('.xterm-screen').getBoundingClientRect();"
        " return [r.x, r.y, r.width, r.height] })()"
    )
    return Picture(await tab.picture(), left, top, (width / columns, height / rows))


async def until_ended(tab: Tab) -> None:
    """Until the page says that the watch has ended."""
    for _ in range(100):
        if await tab.evaluate("getComputedStyle(ended).display") == "block":
            return
        await asyncio.sleep(0.1)
    raise AssertionError("the page does not say that the watch has ended")


@pytest.mark.needs_chromium
@pytest.mark.needs_tmux
@pytest.mark.timeout(180)
def test_a_browser_shows_the_face_that_a_terminal_shows_and_takes_keys(
    served: Served, tmp_path: Path
) -> None:
    async def script() -> None:
        async with chromium(tmp_path / "browser") as browser:
            tab = await browser.tab()
            await tab.open(served.url)
            size = await grid(tab)
            assert size[0] >= 100 and size[1] >= 24
            terminal = Terminal(tmp_path, [*DIALBENCH, *VIRTUAL], size)
            try:
                text = await asyncio.to_thread(
                    terminal.until, lambda text: "all 33 as predicted" in text
                )
            finally:
                terminal.close()
            cells = [
                (x, y, character)
                for y, line in enumerate(text.splitlines()[1:-8], 1)
                for x, character in enumerate(line[: size[0] - 40])
                if character in INK
            ]
            assert sum(character != " " for _, _, character in cells) > 300
            drawn = None
            for _ in range(300):
                shot = await picture(tab)
                drawn = [
                    (x, y)
                    for x, y, character in cells
                    if (shot.painted(x, y, 0.25), shot.painted(x, y, 0.75)) != INK[character]
                ]
                if not drawn:
                    break
                await asyncio.sleep(0.1)
            assert drawn == []

            dark = (await picture(tab)).ground
            await tab.type("t")
            await asyncio.sleep(1)
            light = (await picture(tab)).ground
            assert max(dark) < 40
            assert min(light) > 200

            own = (served.url, served.url.replace("http:", "ws:"), "data:")
            assert len(tab.asked) >= 7
            assert [url for url in tab.asked if not url.startswith(own)] == []
            assert [line for line in tab.said if "Content Security Policy" in line] == []

            started = below(served.process.pid)
            assert started
            await tab.type("q")
            await until(lambda: not any(map(alive, started)))
            await until_ended(tab)

    asyncio.run(script())


@pytest.mark.needs_chromium
@pytest.mark.timeout(120)
def test_the_page_asks_nobody_else_and_no_other_page_steers(served: Served, tmp_path: Path) -> None:
    async def script() -> None:
        calls = []

        async def elsewhere(request: web.Request) -> web.Response:
            calls.append(request.path)
            return web.Response(
                text="<title>elsewhere</title>",
                content_type="text/html",
                headers={"Access-Control-Allow-Origin": "*"},
            )

        application = web.Application()
        application.router.add_get("/{path}", elsewhere)
        runner = web.AppRunner(application)
        await runner.setup()
        site = web.TCPSite(runner, "127.0.0.1", 0)
        await site.start()
        other = f"http://127.0.0.1:{runner.addresses[0][1]}"
        try:
            async with chromium(tmp_path / "browser") as browser:
                fetched = f"fetch('{other}/fetched').then(() => 'came', () => 'held')"
                tab = await browser.tab()
                await tab.open(served.url)
                await until(lambda: len(tab.asked) >= 6)
                assert await tab.evaluate(fetched) == "held"
                script = "document.head.append(Object.assign(document.createElement("
                await tab.evaluate(f"{script}'script'), {{src: '{other}/script'}}))")
                await tab.evaluate(f"{script}'link'), {{rel: 'stylesheet', href: '{other}/css'}}))")
                await tab.evaluate(f"void (new Image().src = '{other}/image')")
                await asyncio.sleep(1)
                assert calls == []

                stranger = await browser.tab()
                await stranger.open(f"{other}/page")
                await until(lambda: calls == ["/page"] or "/favicon.ico" in calls)
                assert await stranger.evaluate(fetched) == "came"  # it would, without a policy
                steered = (
                    f"new Promise(done => {{ const s = new WebSocket('{served.url}ws'"
                    ".replace('http', 'ws')); s.onopen = () => done('open');"
                    " s.onerror = () => done('refused') })"
                )
                assert await stranger.evaluate(steered) == "refused"
                framed = (
                    "new Promise(done => { const f = document.createElement('iframe');"
                    f" f.src = '{served.url}'; f.onload = () => done(f.contentDocument === null"
                    " ? 'loaded' : 'empty'); document.body.append(f) })"
                )
                await stranger.evaluate(framed)
                await asyncio.sleep(1)
                assert len([url for url in stranger.asked if url.startswith("ws")]) == 1
        finally:
            await runner.cleanup()

    asyncio.run(script())


@pytest.mark.needs_chromium
@pytest.mark.timeout(120)
def test_a_killed_server_leaves_no_process_and_the_page_says_so(
    served: Served, tmp_path: Path
) -> None:
    async def script() -> None:
        async with chromium(tmp_path / "browser") as browser:
            tab = await browser.tab()
            await tab.open(served.url)
            await until(lambda: len(below(served.process.pid)) >= 2)
            started = below(served.process.pid)
            os.kill(served.process.pid, signal.SIGKILL)
            await until(lambda: not any(map(alive, started)), 12)
            await until_ended(tab)

    asyncio.run(script())
