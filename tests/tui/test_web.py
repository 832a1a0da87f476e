"""The server of the watch in a browser, around an application that is none: it draws what it
is told and what it hears, so that what passes between the two can be seen."""

import asyncio
import json
import re
import socket
import sys
from contextlib import asynccontextmanager
from urllib.parse import urlsplit

import aiohttp
import pytest

from dialbench.watch.web import files
from dialbench.watch.web.address import WebError, answers_to, listening, url, warning
from dialbench.watch.web.server import Server, bound

# Speaks as the driver does; says its size, then each packet that it hears.
SPEAKER = """
import os, sys
def say(text):
    data = text.encode()
    os.write(1, b"D" + len(data).to_bytes(4, "big") + data)
os.write(1, b"a warning\\n__GANGLION__\\n")
say(os.environ["COLUMNS"] + " x " + os.environ["ROWS"])
while head := sys.stdin.buffer.read(5):
    heard = sys.stdin.buffer.read(int.from_bytes(head[1:], "big")).decode()
    if heard == "q":
        break
    if heard == "fail":
        sys.exit("dialbench: no such \\x1b[31mport")
    say(heard)
open(sys.argv[1], "a").write("ended ")
"""


@pytest.fixture
def ends(tmp_path):
    """The file into which each speaker writes as it ends by itself."""
    return tmp_path / "ends"


@pytest.fixture
def serving(ends):
    @asynccontextmanager
    async def serving(address="127.0.0.1"):
        """A server and a client of it; gives a function that opens a window."""
        with bound(address, 0) as listener:
            command = [sys.executable, "-S", "-c", SPEAKER, str(ends)]
            server = Server(command, files.served(), listener)
            runner = aiohttp.web.AppRunner(server.application(), access_log=None)
            await runner.setup()
            await aiohttp.web.SockSite(runner, listener).start()
            async with aiohttp.ClientSession(server.url) as client:
                own = {"Origin": server.url.rstrip("/")}

                async def window(size="width=90&height=30", **more):
                    return await client.ws_connect(f"/ws?{size}", headers=own | more)

                client.window = window
                try:
                    yield client
                finally:
                    await runner.cleanup()

    return serving


async def heard(window):
    return (await window.receive_bytes(timeout=10)).decode()


def test_keys_and_sizes_reach_the_application_and_what_it_draws_the_window(serving, ends):
    async def script():
        async with serving() as client:
            window = await client.window()
            assert await heard(window) == "90 x 30"
            await window.send_json(["stdin", "é?"])
            assert await heard(window) == "é?"
            await window.send_json(["resize", {"width": 120, "height": 10**9}])
            told = json.loads(await heard(window))
            assert (told["type"], told["width"], told["height"]) == ("resize", 120, 400)
            await window.send_json(["ping", "17"])
            assert await window.receive_json(timeout=10) == ["pong", "17"]
            await window.send_json(["stdin", "q"])
            assert (await window.receive(timeout=10)).type == aiohttp.WSMsgType.CLOSE
            assert ends.read_text() == "ended "

    asyncio.run(script())


def test_a_second_window_waits_and_has_its_turn(serving, ends):
    async def script():
        async with serving() as client:
            first = await client.window()
            assert await heard(first) == "90 x 30"
            second = await client.window("width=80&height=24")
            assert "Another window is watching this dial" in await heard(second)
            await second.send_json(["stdin", "q"])  # to nobody
            await second.send_json(["resize", {"width": 70, "height": 20}])
            gone = await client.window()
            assert "Another window" in await heard(gone)
            await gone.close()
            await first.close()
            assert await heard(second) == "70 x 20"
            await second.close()
            assert ends.read_text() == "ended "

    asyncio.run(script())


def test_only_so_many_windows_may_wait(serving):
    async def script():
        async with serving() as client:
            windows = [await client.window() for _ in range(8)]
            with pytest.raises(aiohttp.WSServerHandshakeError) as refused:
                await client.window()
            assert refused.value.status == 503
            for window in windows:
                await window.close()

    asyncio.run(script())


def test_what_an_application_that_failed_said_is_shown_inert(serving, capfd):
    async def script():
        async with serving() as client:
            window = await client.window()
            await heard(window)
            await window.send_json(["stdin", "fail"])
            assert (await heard(window)).endswith("dialbench: no such \\x1b[31mport\r\n")

    asyncio.run(script())
    assert "no such \\x1b[31mport" in capfd.readouterr().err


NONSENSE = ["", "{", "[]", "7", '["stdin"]', '["stdin", 7]', '["resize", {}]', "[" * 60000]


@pytest.mark.parametrize("text", NONSENSE, ids=lambda text: text[:20])
def test_nonsense_from_a_window_does_no_harm(serving, text, capfd):
    async def script():
        async with serving() as client:
            window = await client.window("width=-1&height=9999999999999")
            assert await heard(window) == "80 x 24"
            await window.send_str(text)
            await window.close()
            other = await client.window()
            while "90 x 30" not in (told := await heard(other)):
                assert "Another window" in told
            await other.close()

    asyncio.run(script())
    assert "Traceback" not in capfd.readouterr().err


def test_too_much_at_once_closes_the_window(serving):
    async def script():
        async with serving() as client:
            window = await client.window()
            await heard(window)
            await window.send_json(["stdin", "x" * (1 << 17)])
            assert (await window.receive(timeout=10)).type == aiohttp.WSMsgType.CLOSE

    asyncio.run(script())


@pytest.mark.parametrize(
    "origin", [None, "null", "http://127.0.0.1:1", "http://dial.example", "https://{own}"]
)
def test_a_page_of_another_site_gets_no_window(serving, origin):
    async def script():
        async with serving() as client:
            own = client._base_url.authority
            headers = {} if origin is None else {"Origin": origin.format(own=own)}
            with pytest.raises(aiohttp.WSServerHandshakeError) as refused:
                await client.ws_connect("/ws", headers=headers)
            assert refused.value.status == 403

    asyncio.run(script())


def test_a_name_of_another_site_that_points_here_gets_nothing(serving):
    async def script():
        async with serving() as client:
            for path in ("/", "/ws", "/nothing"):
                rebound = {"Host": "dial.example:80", "Origin": "http://dial.example:80"}
                async with client.get(path, headers=rebound) as answer:
                    assert answer.status == 403
            with pytest.raises(aiohttp.WSServerHandshakeError) as refused:
                await client.window(**rebound)
            assert refused.value.status == 403

    asyncio.run(script())


def test_the_page_is_whole_and_names_nothing_elsewhere(serving):
    async def script():
        async with serving() as client:
            async with client.get("/") as answer:
                policy = answer.headers["Content-Security-Policy"]
                page = await answer.text()
            assert "default-src 'none'" in policy
            assert "frame-ancestors 'none'" in policy
            assert "*" not in policy
            assert "http" not in policy
            linked = re.findall(r'(?:src|href)="([^"]+)"', page)
            async with client.get("/page.css") as answer:
                linked += re.findall(r'url\("([^"]+)"\)', await answer.text())
            assert len(linked) == 6
            for address in linked:
                assert not urlsplit(address).netloc
                if not address.startswith("data:"):
                    async with client.get(f"/{address}") as answer:
                        assert answer.status == 200
                        assert answer.headers["Content-Security-Policy"] == policy
            for ours in ("/", "/page.css", "/page.js"):
                async with client.get(ours) as answer:
                    assert "://" not in (await answer.text()).replace("ws://${location.host}", "")
            for path in ("/static/", "/../pyproject.toml", "/page", "/download/x"):
                async with client.get(path) as answer:
                    assert answer.status == 404

    asyncio.run(script())


@pytest.mark.parametrize(
    ("host", "address", "meant"),
    [
        ("127.0.0.1:80", "127.0.0.1", True),
        ("localhost:80", "127.0.0.1", True),
        ("[::1]:80", "::1", True),
        ("127.0.0.1:81", "127.0.0.1", False),
        ("127.0.0.1", "127.0.0.1", True),  # browsers leave 80 out
        ("[::1]", "::1", True),
        ("127.0.0.1:", "127.0.0.1", False),
        ("::1", "::1", False),
        ("", "127.0.0.1", False),
        ("dial.example:80", "127.0.0.1", False),
        ("192.0.2.7:80", "127.0.0.1", False),
        ("192.0.2.7:80", "0.0.0.0", True),
        ("dial.example:80", "0.0.0.0", False),
        (f"{socket.gethostname()}.local:80", "0.0.0.0", True),
        (f"{socket.gethostname()}:80", "127.0.0.1", False),
    ],
)
def test_by_which_names_the_server_may_be_called(host, address, meant):
    assert answers_to(host, address, 80) is meant
    assert not answers_to(host, address, 8000)


def test_where_it_listens_is_told_plainly():
    assert listening("localhost") == "127.0.0.1"
    assert warning("127.0.0.1") == warning("::1") == ""
    assert "no password and no encryption" in warning("0.0.0.0")
    assert url("0.0.0.0", 8000) == "http://127.0.0.1:8000/"
    assert url("::1", 8000) == "http://[::1]:8000/"
    with pytest.raises(WebError, match=r"--web-host dial\.example: give the IP address"):
        listening("dial.example")


def test_a_port_in_use_is_told():
    with (
        bound("127.0.0.1", 0) as taken,
        pytest.raises(WebError, match=r"give another --web-port"),
    ):
        bound("127.0.0.1", taken.getsockname()[1])


def test_an_address_of_another_machine_is_told():
    with pytest.raises(WebError, match=r"^192\.0\.2\.1 port 0 .* \([^(]*\): give --web-host"):
        bound("192.0.2.1", 0)


def test_without_the_extra_the_mend_is_told(monkeypatch):
    monkeypatch.setitem(sys.modules, "textual_serve", None)
    with pytest.raises(WebError, match=r"pip install 'dialbench\[web\]'"):
        files.served()
