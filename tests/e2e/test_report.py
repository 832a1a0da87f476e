"""The report of a campaign, as typed: the same twice, complete, inert, and nothing fetched."""

import json
import re
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest
from lxml import html as parsed
from tests.host import traced
from tests.host.typed import typed

from dialbench.plots import campaign, figure
from dialbench.residuals import Group
from dialbench.sky import Sky

# A file's own check lets this through, and nothing that steers or is not printed.
HOSTILE = "<script>alert(1)</script> [b]'x' &"


@pytest.fixture(scope="module")
def log():
    dial = traced.spelt(channels=6, steps=10)
    logged = traced.log_of(
        traced.truth_of(dial, pose_deg=(0.0, 0.0, 0.4)),
        Sky(dial.site),
        [date(2027, 2, 20), date(2027, 5, 20)],
        count=64,
    )
    return dial, logged


@pytest.fixture
def store(log, tmp_path, capsys):
    dial, logged = log
    return traced.imported(typed, capsys, tmp_path, logged, dial)


def made(capsys, store, name, *more):
    out = store.with_name(name)
    ran = typed(capsys, "report", str(store), "--out", str(out), *more)
    assert ran.returncode == 0, ran.stderr
    return out.read_bytes(), ran.stdout


def test_the_same_twice_and_complete(store, capsys):
    once, said = made(capsys, store, "a.html", "--json")
    again, _ = made(capsys, store, "b.html")
    assert once.replace(b"a.html", b"b.html") == again
    facts = json.loads(said)
    assert facts["schema"] == "dialbench.report/1"
    assert re.fullmatch("[0-9a-f]{64}", facts["log_sha256"])
    assert facts["log_sha256"].startswith(facts["log"])
    page = parsed.fromstring(once.decode())
    heads = [head.text for head in page.iter("h2")]
    assert [re.sub(r"^\d+\. ", "", head) for head in heads] == facts["sections"]
    text = page.text_content()
    for said in (
        "turned",  # the verdict
        "How late each crossing came",
        "wider than drawn",
        "Each cause's part".lower(),
        "SHA-256",
        facts["log_sha256"],
        "DE421",
        "dialbench report store.sqlite",
    ):
        assert said.lower() in text.lower(), said


def test_nothing_is_fetched_and_every_picture_is_told(store, capsys):
    once, _ = made(capsys, store, "a.html")
    page = parsed.fromstring(once.decode())
    pictures = list(page.iter("img"))
    assert len(pictures) >= 4
    for picture in pictures:
        assert picture.get("src").startswith("data:image/svg+xml;base64,")
        assert len(picture.get("alt")) > 40
    assert not list(page.iter("script", "link", "iframe", "object"))
    for element in page.iter():
        for name, value in element.items():
            if name in ("href", "src", "srcset", "action"):
                assert value.startswith(("#", "data:image/svg+xml"))
    assert b"default-src 'none'" in once.replace(b"&#x27;", b"'")
    assert page.get("lang") == "en"


def test_hostile_names_are_inert(log, tmp_path, capsys):
    dial, logged = log
    evil = replace(dial, name=HOSTILE, site=replace(dial.site, name=HOSTILE))
    store = traced.imported(typed, capsys, tmp_path, logged, evil)
    once, _ = made(capsys, store, "a.html")
    page = parsed.fromstring(once.decode())
    assert not list(page.iter("script"))
    assert "<script>alert(1)</script>" in page.text_content()
    paper, _ = made(capsys, store, "a.pdf")
    assert paper.startswith(b"%PDF")


def test_the_pdf_is_the_same_twice_and_has_all_parts(store, capsys):
    once, _ = made(capsys, store, "a.pdf")
    again, _ = made(capsys, store, "a.pdf")
    assert once == again
    assert len(re.findall(rb"/Type /Page\b", once)) >= 3
    assert b"/Author (Dialbench)" in once and b"unspecified" not in once


def test_labels_that_lean_stay_within_the_figure():
    groups = [Group(f"2027-02-{day}", 0.0, -1.0, 1.0, np.array([0])) for day in (20, 21)]
    with figure.styled():
        drawn = campaign.lateness(groups, np.zeros(1), "day")
        drawn.draw_without_rendering()
        [axes] = drawn.axes
        below = axes.xaxis.label.get_window_extent()
        leaning = [label.get_window_extent() for label in axes.get_xticklabels()]
    assert below.y0 >= 0
    assert all(label.y0 >= below.y1 for label in leaning)


def test_a_log_that_cannot_be_solved_is_reported_all_the_same(log, tmp_path, capsys):
    """Three crossings tell nothing of a body, and the rest of the report stands."""
    dial, logged = log
    one = logged.measured
    few = traced.measured_of(one.channel[:3], one.threshold[:3], one.rise[:3], one.utc_us[:3])
    store = traced.imported(typed, capsys, tmp_path, replace(logged, measured=few), dial)
    text = parsed.fromstring(made(capsys, store, "a.html")[0].decode()).text_content()
    assert "Not solved:" in text
    assert "What it read" in text


@pytest.mark.parametrize("out", ["report.doc", "report"])
def test_another_kind_of_file_is_refused(store, capsys, out):
    ran = typed(capsys, "report", str(store), "--out", out)
    assert ran.returncode == 2
    assert "name a file that ends in .html or .pdf" in ran.stderr


def test_a_folder_that_is_not_there_is_one_sentence(store, capsys):
    ran = typed(capsys, "report", str(store), "--out", str(Path("nowhere") / "a.html"))
    assert ran.returncode == 2
    assert "cannot be written" in ran.stderr


def test_a_digest_names_all_that_a_board_logged(tmp_path):
    from tests.host import stores

    from dialbench.clock import Mark
    from dialbench.store import Store

    with Store.open(tmp_path / "a.sqlite") as store:
        store.add_board(stores.hello())
        before = store.digest(stores.UID)
        store.add_mark(stores.UID, Mark(1, 1000, 1_800_000_000_000_000, 500, "link"))
        marked = store.digest(stores.UID)
        assert len(before) == 64 and before != marked == store.digest(stores.UID)
