"""Debian's Chromium without a window, driven through its DevTools."""

from __future__ import annotations

import asyncio
import base64
import re
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

import aiohttp


class Tab:
    """One open page. asked: the address of everything that it asked for, also in vain;
    said: what it wrote into its console, and what the browser held against it."""

    def __init__(self, devtools: aiohttp.ClientWebSocketResponse) -> None:
        self._devtools = devtools
        self._answers: dict[int, asyncio.Future[dict[str, Any]]] = {}
        self._hearing = asyncio.create_task(self._hear())
        self.asked: list[str] = []
        self.said: list[str] = []

    async def begin(self, width: int, height: int) -> None:
        for domain in ("Network", "Page", "Runtime", "Log"):
            await self.do(f"{domain}.enable")
        await self.do(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=1,
            mobile=False,
        )

    async def do(self, method: str, **parameters: Any) -> dict[str, Any]:
        """One DevTools command's result."""
        number = len(self._answers)
        answer = self._answers[number] = asyncio.get_running_loop().create_future()
        await self._devtools.send_json({"id": number, "method": method, "params": parameters})
        told = await asyncio.wait_for(answer, 30)
        assert "error" not in told, told
        return told["result"]

    async def open(self, url: str) -> None:
        await self.do("Page.navigate", url=url)

    async def evaluate(self, expression: str) -> Any:
        """The value of a JavaScript expression, a promise's when it is kept."""
        told = await self.do(
            "Runtime.evaluate", expression=expression, returnByValue=True, awaitPromise=True
        )
        assert "exceptionDetails" not in told, told
        return told["result"].get("value")

    async def type(self, text: str) -> None:
        for letter in text:
            await self.do("Input.dispatchKeyEvent", type="char", text=letter)

    async def picture(self) -> bytes:
        """What the page looks like, as PNG."""
        return base64.b64decode((await self.do("Page.captureScreenshot"))["data"])

    async def close(self) -> None:
        self._hearing.cancel()
        await self._devtools.close()

    async def _hear(self) -> None:
        async for message in self._devtools:
            told = message.json()
            if "id" in told:
                self._answers[told["id"]].set_result(told)
                continue
            match told["method"], told["params"]:
                case "Network.requestWillBeSent", {"request": {"url": url}}:
                    self.asked.append(url)
                case "Network.webSocketCreated", {"url": url}:
                    self.asked.append(url)
                case "Log.entryAdded", {"entry": {"text": text}}:
                    self.said.append(text)
                case "Runtime.consoleAPICalled", {"args": words}:
                    self.said.append(" ".join(str(word.get("value")) for word in words))
                case "Runtime.exceptionThrown", {"exceptionDetails": details}:
                    self.said.append(str(details))


class Chromium:
    """A browser with a profile of its own that is thrown away."""

    def __init__(self, session: aiohttp.ClientSession, port: int) -> None:
        self._session = session
        self._port = port

    async def tab(self, width: int = 1280, height: int = 800) -> Tab:
        """A new empty page of so many pixels."""
        base = f"http://127.0.0.1:{self._port}/json/new?about:blank"
        async with self._session.put(base) as told:
            address = (await told.json())["webSocketDebuggerUrl"]
        tab = Tab(await self._session.ws_connect(address, max_msg_size=0))
        await tab.begin(width, height)
        return tab


@asynccontextmanager
async def chromium(folder: Path) -> AsyncIterator[Chromium]:
    """A browser that keeps what it needs in folder; it ends with the context."""
    process = await asyncio.create_subprocess_exec(
        "chromium",
        "--headless=new",
        "--no-sandbox",  # tests may run as root
        "--disable-gpu",
        "--disable-background-networking",
        "--no-first-run",
        "--remote-debugging-port=0",
        f"--user-data-dir={folder}",
        "about:blank",
        stdout=asyncio.subprocess.DEVNULL,
        stderr=asyncio.subprocess.PIPE,
    )
    assert process.stderr is not None
    draining: asyncio.Task[bytes] | None = None
    try:
        async with asyncio.timeout(30):
            while not (
                found := re.search(
                    rb"DevTools listening on ws://[^:]+:(\d+)/", await process.stderr.readline()
                )
            ):
                assert process.returncode is None and not process.stderr.at_eof()
        draining = asyncio.create_task(process.stderr.read())
        async with aiohttp.ClientSession() as session:
            yield Chromium(session, int(found[1]))
    finally:
        if process.returncode is None:
            process.kill()
        await process.wait()
        if draining is not None:
            draining.cancel()
