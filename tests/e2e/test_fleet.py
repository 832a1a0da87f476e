"""dialbench fleet on stores, as typed."""

import json

import numpy as np
import pytest
from tests.host import exchanged
from tests.host.stores import hello
from tests.host.typed import typed

from dialbench import dialfile
from dialbench.clock import Mark
from dialbench.sky import to_us
from dialbench.store import Store

BOARDS = 4
FAULT_S = 45.0

# The first to ask for the ephemeris waits for it.
pytestmark = pytest.mark.timeout(240)


def uid(number):
    return f"{number:016x}"


def late_us(number, due):
    """How late each board's crossings come; from 10 to 13 h two of them by a clock's fault more."""
    late = np.rint(np.random.default_rng(number).normal(20e6 * number, 2e6, len(due.utc_us)))
    if number in (1, 3):
        hour = (due.utc_us - to_us(exchanged.BEGIN)) // 3_600_000_000 + 6
        late[(hour >= 10) & (hour < 13)] += FAULT_S * 1e6
    return late.astype(np.int64)


@pytest.fixture(scope="module")
def stores(tmp_path_factory):
    """A folder with two stores of two boards each, and an empty one."""
    folder = tmp_path_factory.mktemp("fleet")
    dial, due = exchanged.due()
    for number in range(BOARDS):
        with Store.open(folder / f"{'ab'[number // 2]}.sqlite") as store:
            board = hello(uid(number), dial_hash=dial.hash)
            store.add_board(board, dialfile.dump(dial))
            for raw in exchanged.pages(due, late_us(number, due)):
                store.add_page(board.uid, raw)
            for device_ms in (0, 43_200_000):
                utc_us = to_us(exchanged.BEGIN) + 1000 * device_ms
                store.add_mark(board.uid, Mark(1, device_ms, utc_us, 1000, "link"))
    Store.open(folder / "empty.sqlite").close()
    return folder


def test_boards_of_several_stores_are_held_against_each_other(stores, capsys):
    _, due = exchanged.due()
    # One of them twice, spelt in another way.
    places = (
        stores / "a.sqlite",
        stores / "b.sqlite",
        stores / "." / ".." / stores.name / "a.sqlite",
    )
    ran = typed(capsys, "fleet", *places, "--json")
    assert ran.returncode == 0, ran.stderr
    told = json.loads(ran.stdout)
    assert told["schema"] == "dialbench.fleet/1"
    assert [one["board"] for one in told["boards"]] == [uid(k) for k in range(BOARDS)]
    for number, one in enumerate(told["boards"]):
        late_s = late_us(number, due) / 1e6
        assert one["matched"] == len(late_s) and one["missed"] == 0
        assert one["median_s"] == pytest.approx(np.median(late_s), abs=0.5)
        assert one["observed_s"] == pytest.approx(12 * 3600, abs=5)
    [fault] = told["clock_faults"]
    assert fault["boards"] == [uid(1), uid(3)]
    assert fault["offset_s"] == pytest.approx(FAULT_S, abs=5)
    assert (fault["begin_us"] - to_us(exchanged.BEGIN)) / 3.6e9 == pytest.approx(4, abs=1)
    assert {one["overlap"] for one in told["weather"]} == {1.0}
    assert len(told["weather"]) == BOARDS * (BOARDS - 1) // 2
    ran = typed(capsys, "fleet", *places)
    assert ran.returncode == 0
    assert all(uid(k) in ran.stdout for k in range(BOARDS))
    assert "late together" in " ".join(ran.stdout.split())


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("empty.sqlite",), "empty.sqlite: hold no board: pull first"),
        (("nowhere.sqlite",), "there is no such store"),
        (("a.sqlite", "--store", "x"), "--store: goes with --pull"),
        (("/dev/null", "--pull"), "--pull: name --store, and with --dial"),
        (("a.sqlite", "--dial", "no.toml"), "no.toml"),
    ],
)
def test_wrong_input_is_one_sentence(stores, capsys, monkeypatch, words, sentence):
    monkeypatch.chdir(stores)
    ran = typed(capsys, "fleet", *words)
    assert ran.returncode == 2 and sentence in ran.stderr, ran.stderr
    assert ran.stdout == "" and len(ran.stderr.strip().splitlines()) == 1
    assert not (stores / "nowhere.sqlite").exists()
