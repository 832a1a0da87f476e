"""The report as a browser shows it: on a phone, on a desk, on paper."""

from __future__ import annotations

import asyncio
import base64
import io
import re
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from PIL import Image
from tests.chromium import Tab, chromium
from tests.host import traced
from tests.host.typed import typed

from dialbench.sky import Sky

HOSTILE = "<img src=x onerror=alert(1)> </title><script>alert(2)</script> &"
PHONE, DESK = (390, 844), (1280, 900)

PICTURES = """Promise.all([...document.images].map(image => image.decode())).then(() =>
  [...document.images].map(image => ({
    told: image.alt, wide: image.getBoundingClientRect().width, real: image.naturalWidth })))"""
# The smallest and the faintest text: px, and contrast as WCAG 2 has it.
TEXT = """(() => {
  const light = rgb => { const [r, g, b] = rgb.match(/[0-9.]+/g).map(v => v / 255)
    .map(v => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4);
    return 0.2126 * r + 0.7152 * g + 0.0722 * b; };
  const ground = light(getComputedStyle(document.body).backgroundColor);
  const found = [...document.querySelectorAll('p, td, th, h1, h2, figcaption, caption, li')]
    .map(one => getComputedStyle(one));
  const contrast = style => { const [a, b] = [light(style.color), ground];
    return (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05); };
  return [Math.min(...found.map(style => parseFloat(style.fontSize))),
          Math.min(...found.map(contrast))];
})()"""


@pytest.fixture
def report(tmp_path: Path, capsys: Any) -> Path:
    dial = traced.spelt(channels=6, steps=10)
    evil = replace(dial, name=HOSTILE, site=replace(dial.site, name=HOSTILE))
    logged = traced.log_of(
        traced.truth_of(dial, pose_deg=(0.0, 0.0, 0.4)),
        Sky(dial.site),
        [date(2027, 2, 20), date(2027, 5, 20)],
        count=64,
    )
    store = traced.imported(typed, capsys, tmp_path, logged, evil)
    out = tmp_path / "report.html"
    ran = typed(capsys, "report", store, "--out", out)
    assert ran.returncode == 0, ran.stderr
    return out


async def seen(tab: Tab, report: Path) -> list[dict[str, Any]]:
    """Open it; its pictures, once they are all there."""
    await tab.open(report.as_uri())
    for _ in range(200):
        if await tab.evaluate("document.readyState") == "complete" and await tab.evaluate(
            "location.protocol == 'file:'"
        ):
            return await tab.evaluate(PICTURES)
        await asyncio.sleep(0.1)
    raise AssertionError("the report does not open")


async def nothing_went_out(tab: Tab, report: Path) -> None:
    left = [url for url in tab.asked if not url.startswith("data:image/svg+xml")]
    assert left == [report.as_uri()]
    assert tab.said == []
    assert (
        await tab.evaluate("document.scripts.length + document.querySelectorAll('[src=x]').length")
        == 0
    )
    assert HOSTILE in await tab.evaluate("document.querySelector('h1').textContent")


def painted(png: bytes, size: tuple[int, int]) -> None:
    """A picture of that size, or wider than high as it is, with ground and ink."""
    image = Image.open(io.BytesIO(png)).convert("L")
    assert image.size == size
    low, high = image.getextrema()
    assert isinstance(low, int) and isinstance(high, int) and high - low > 150


@pytest.mark.needs_chromium
@pytest.mark.timeout(180)
def test_it_is_read_on_a_phone_on_a_desk_and_on_paper(report: Path, tmp_path: Path) -> None:
    async def script() -> None:
        async with chromium(tmp_path / "browser") as browser:
            for size in (PHONE, DESK):
                tab = await browser.tab(*size)
                pictures = await seen(tab, report)
                assert len(pictures) >= 4
                for one in pictures:
                    assert len(one["told"]) > 40 and one["real"] > 0
                    # A figure's own type is 9 points of its 482: 10 pixels and more.
                    assert 9 / 482 * one["wide"] >= 10
                # The page is as wide as the window: only figures and tables move aside, in boxes.
                assert await tab.evaluate(
                    "document.documentElement.scrollWidth <= document.documentElement.clientWidth"
                )
                for dark in ("light", "dark"):
                    scheme = [{"name": "prefers-color-scheme", "value": dark}]
                    await tab.do("Emulation.setEmulatedMedia", features=scheme)
                    smallest_px, faintest = await tab.evaluate(TEXT)
                    assert smallest_px >= 13 and faintest >= 4.5, (size, dark)
                    painted(await tab.picture(), size)
                await nothing_went_out(tab, report)
                if size == DESK:
                    await on_paper(tab)

    async def on_paper(tab: Tab) -> None:
        # A reader whose screen is dark prints dark on white all the same.
        scheme = [{"name": "prefers-color-scheme", "value": "dark"}]
        await tab.do("Emulation.setEmulatedMedia", media="print", features=scheme)
        ink, ground, listed = await tab.evaluate(
            "[getComputedStyle(document.body).color, getComputedStyle(document.body).backgroundColor,"
            " getComputedStyle(document.querySelector('nav')).display]"
        )
        assert (ink, ground, listed) == ("rgb(0, 0, 0)", "rgb(255, 255, 255)", "none")
        printed = await tab.do("Page.printToPDF", preferCSSPageSize=True, printBackground=True)
        paper = base64.b64decode(printed["data"])
        boxes = {
            tuple(round(float(side)) for side in box.split())
            for box in re.findall(rb"/MediaBox \[([^\]]*)\]", paper)
        }
        assert boxes == {(0, 0, 595, 842)}  # A4 in points
        assert len(re.findall(rb"/Type /Page\b", paper)) >= 3

    asyncio.run(script())
