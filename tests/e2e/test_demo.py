"""The whole job, end to end: the figures the demo promises, from the real firmware."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from dialbench import demo, dialfile
from dialbench.analysis import analyse
from dialbench.clock import ClockModel
from dialbench.compare import MISSED
from dialbench.layout import plan_edges_deg
from dialbench.link import Board
from dialbench.sky import Sky, to_us
from dialbench.store import Store
from dialbench.virtual import clouds
from dialbench.virtual.light import LightTable
from dialbench.virtual.process import VirtualDial
from dialbench.virtual.truth import Truth

UNIFORM = Path(__file__).parents[1] / "data" / "uniform.toml"
MEASURED = Path(__file__).parents[1] / "data" / "surfrad-slv16001.dat"


def quiet(_what: str, _share: float) -> None:
    pass


@pytest.fixture(scope="module")
def clear(tmp_path_factory: pytest.TempPathFactory) -> demo.Result:
    return demo.run(demo.Settings(tmp_path_factory.mktemp("clear") / "demo", days=2), quiet)


def test_clear_days_come_as_predicted(clear: demo.Result) -> None:
    facts = clear.as_dict()
    count = facts["crossings"]
    assert count["predicted"] > 800
    assert count["matched"] >= 0.995 * (count["matched"] + count["missed"])
    assert count["unexpected"] == 0
    assert facts["records_lost"] == 0
    assert clear.analysis.losses.missing_pages == 0
    assert abs(facts["residual_s"]["median"]) <= 2
    assert abs(facts["reading"]["share_right"] - facts["reading"]["layout_duty"]) <= 0.02
    assert facts["observed_hours"] > 20


def test_several_days_are_one_log(clear: demo.Result) -> None:
    assert clear.as_dict()["days"] == 2
    days = {
        (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=int(at))).date()
        for at in clear.analysis.comparison.measured.utc_us
    }
    assert len(days) == 2


def test_the_firmware_ran_in_a_boards_memory(clear: demo.Result) -> None:
    assert "MicroPython" in clear.runtime
    assert 0 < clear.heap_limit_bytes <= 131072


def test_the_log_is_compact(tmp_path: Path) -> None:
    """At most 4 bytes a crossing, all told, on a dial that has some to tell.

    Of a bore for every step, it has six times as many as one whose channels stay lit. How
    finely its light is traced changes neither.
    """
    dial = dialfile.load(UNIFORM)
    day = Sky(dial.site).daylight(demo.DAY)
    assert day is not None
    truth = Truth.draw(dial, 1)
    light = LightTable(truth, Sky(dial.site), step_s=20.0, rays=64)
    virtual = VirtualDial(truth, clouds.Clear(), tmp_path / "board", day[0], shining=light)
    with (
        virtual,
        Board.open(virtual.port, virtual.clock) as board,
        Store.open(tmp_path / "store.sqlite") as store,
    ):
        store.add_board(board.hello)
        board.mark()
        virtual.run(*day)
        board.pull(store)
        crossings = len(store.crossings(board.hello.uid).boot)
    logged = sum(p.stat().st_size for p in (tmp_path / "board" / "log").iterdir())
    assert crossings > 2000
    assert logged <= 4 * crossings


@pytest.mark.deep
@pytest.mark.timeout(120)
def test_the_same_seed_gives_the_same_figures(clear: demo.Result, tmp_path: Path) -> None:
    again = demo.run(demo.Settings(tmp_path / "again", days=2), quiet).as_dict()
    first = clear.as_dict()
    for one in (again, first):
        del one["folder"]
    assert again == first


def test_comparing_the_store_again_gives_the_same(clear: demo.Result) -> None:
    with Store.open(clear.folder / "store.sqlite") as store:
        [board] = store.boards()
        again = analyse(store, board.uid, clear.dial, Sky(clear.dial.site))
    assert again.as_dict() == clear.analysis.as_dict()


long = (pytest.mark.deep, pytest.mark.timeout(120))


@pytest.mark.deep
@pytest.mark.timeout(120)
@pytest.mark.parametrize("turned_deg", [0.6, -2.0])
def test_a_turned_body_shifts_every_crossing_alike(
    clear: demo.Result, tmp_path: Path, turned_deg: float
) -> None:
    turned = demo.run(demo.Settings(tmp_path / "demo", turned_deg=turned_deg), quiet)
    before = clear.as_dict()["residual_s"]["median"]
    after = turned.as_dict()["residual_s"]["median"]
    # 15 deg an hour; in the north a positive turn meets the Sun early.
    assert after - before == pytest.approx(-240 * turned_deg, abs=3)
    assert turned.analysis.verdict.turn_deg == pytest.approx(turned_deg, abs=0.0125)
    text = turned.analysis.verdict.text
    assert ("early" if turned_deg > 0 else "late") in text
    assert ("back to the west" if turned_deg > 0 else "back to the east") in text


# 9: a cloud goes as a channel stands at 0.5
@pytest.mark.parametrize("seed", [pytest.param(1, marks=long), 9])
def test_a_cloudy_day_misses_nothing_and_invents_nothing(tmp_path: Path, seed: int) -> None:
    cloudy = demo.run(demo.Settings(tmp_path / "demo", seed=seed, clouds=True), quiet)
    facts = cloudy.as_dict()
    count = facts["crossings"]
    assert count["unobserved"] > 100
    assert abs(facts["reading"]["share_right"] - facts["reading"]["layout_duty"]) <= 0.02
    assert count["unexpected"] == 0
    assert count["missed"] <= 0.005 * count["matched"]


@pytest.fixture(scope="module")
def measured_day(tmp_path_factory: pytest.TempPathFactory) -> demo.Result:
    folder = tmp_path_factory.mktemp("measured") / "demo"
    return demo.run(demo.Settings(folder, sky_file=MEASURED), quiet)


def test_the_demo_dial_stands_to_the_sun_there_as_at_home(measured_day: demo.Result) -> None:
    """Bores and times of the plan: apart from one another as they were laid out."""
    home, there = dialfile.demo(), measured_day.dial
    apart = [
        plan_edges_deg(dial.site, dial.plan)[0] - dial.bores[0].hour_angle_deg
        for dial in (home, there)
    ]
    assert apart[0] == pytest.approx(apart[1], abs=1e-4)
    assert there.site.zone == "-06:58"


def sunny_minutes() -> np.ndarray:
    """The file's own minutes of direct sun, read here by itself: WMO-No. 8, 120 W/m2."""
    rows = [line.split() for line in MEASURED.read_text().splitlines()[2:]]
    return np.array([float(row[12]) > 120 and row[13] == "0" for row in rows])


def test_observed_time_is_the_files_time_of_direct_sun(measured_day: demo.Result) -> None:
    with Store.open(measured_day.folder / "store.sqlite") as store:
        [board] = store.boards()
        clock = ClockModel(store.marks(board.uid))
        observed = [
            tuple(int(at) for at in clock.utc_us(boot, (start, end)))
            for boot, start, end in store.observed(board.uid)
        ]
    midnight = int(datetime(2016, 1, 1, tzinfo=UTC).timestamp()) * 1_000_000
    edges = np.array(observed, float).ravel()
    edges_min = (edges - midnight) / 60e6
    sunny = sunny_minutes()
    changes = np.flatnonzero(np.diff(sunny.astype(int))) + 1
    day = changes[changes > 600]  # the file's first hours are the evening before
    assert len(day) >= 2
    for change in day:
        assert np.min(abs(edges_min - change)) <= 2, change
    for edge in edges_min:
        assert np.min(abs(day - edge)) <= 2, edge
    hours = sum(end - start for start, end in observed) / 3.6e9
    assert hours == pytest.approx(np.sum(sunny[600:]) / 60, abs=len(day) * 2 / 60)


def test_under_the_measured_sky_nothing_is_invented(measured_day: demo.Result) -> None:
    comparison = measured_day.analysis.comparison
    assert comparison.counts["unexpected"] == 0
    assert comparison.counts["matched"] > 400
    sky = clouds.measured(MEASURED)
    for utc_us in comparison.predicted.utc_us[comparison.kind == MISSED]:
        around = utc_us + np.arange(-60, 61, 5) * 1_000_000
        direct, _ = sky.irradiance(around, np.full(len(around), 30.0))
        assert direct.min() < 120, utc_us


def test_a_log_of_two_dials_is_not_judged_as_one(tmp_path: Path) -> None:
    """A board that was set up for another dial keeps its old pages: they are left out."""
    first = dialfile.demo()
    second = replace(first, site=replace(first.site, longitude_deg=-17.9))
    noon_us = to_us(datetime(2027, 4, 16, 12, 30, tzinfo=UTC))
    with Store.open(tmp_path / "store.sqlite") as store:
        for dial in (first, second):
            board_of = VirtualDial(
                Truth.draw(dial, 1), clouds.Clear(), tmp_path / "board", noon_us, seed=1
            )
            board_of.uid = "00112233445566ff"
            with board_of, Board.open(board_of.port, board_of.clock) as board:
                store.add_board(board.hello, dialfile.dump(dial))
                board_of.run(noon_us, noon_us + 3_600_000_000)
                board.pull(store)
            noon_us += 3_700_000_000
        both = [analyse(store, "00112233445566ff", d, Sky(d.site)) for d in (first, second)]
    for found, other in zip(both, (2, 1), strict=True):
        assert found.other_boots == (other,)
        assert f"another dial: boot {other}" in found.sentences[-1]
        count = found.comparison.counts
        assert count["unexpected"] == count["missed"] == 0
        assert count["matched"] > 30
        assert 0.9 < found.comparison.observed_hours < 1.1
