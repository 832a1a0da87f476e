"""The same facts without a screen: as JSON and as text."""

import json

import pytest

from dialbench.errors import UserError
from dialbench.states import State
from dialbench.watch import once


@pytest.fixture
def look(make_feed, make_source, make_board, still_forecast, dial, now_us):
    def look(levels, **kinds):
        board = make_board(**kinds)
        board.look(levels)
        feed = make_feed(make_source(board))
        return once.look(feed, still_forecast(dial), lambda: now_us)

    return look


def test_a_snapshot_holds_every_fact_as_json(look, levels, dial, now_us, lit):
    shown = look(levels({0: 0, 5: 3}))
    facts = json.loads(json.dumps(once.snapshot(shown)))
    assert facts["schema"] == "dialbench.watch/1"
    assert facts["dial"] == {"name": dial.name, "hash": dial.hash, "site": "Gannet Holm"}
    assert (facts["utc_us"], facts["utc"]) == (now_us, "2027-04-16T15:33:10+00:00")
    assert facts["zone_time"] == "2027-04-16T14:33:10-01:00"
    assert (facts["observed"], facts["why_unobserved"]) == (True, "")
    assert facts["states"][:6] == ["missing", "lit", "dark", "dark", "lit", "stray"]
    assert facts["counts"] == {
        "lit": len(lit) - 1,
        "dark": 33 - len(lit) - 1,
        "missing": 1,
        "stray": 1,
        "unobserved": 0,
    }
    assert (facts["reads"], facts["should_read"], facts["difference_min"]) == (None, "14:30", None)
    assert facts["next_change"] == {
        "utc_us": now_us + 249_000_000,
        "in_s": 249.0,
        "lit": [9, 17],
        "dark": [4],
    }
    assert facts["sun"]["azimuth_deg"] == 236.94
    assert facts["link"]["connected"]
    assert facts["link"]["board"]["uid"] == "5b0f3a7710c2d941"
    assert facts["log"]["blind_ms"] == 1430
    assert facts["clock_mark"] == {"utc_us": now_us, "sigma_us": 2100}
    assert any("answers" in event["text"] for event in facts["events"])


def test_the_right_face_is_read(look, levels):
    facts = once.snapshot(look(levels()))
    assert facts["reads"] == "14:30"
    assert facts["difference_min"] == pytest.approx(4 + 20 / 60)


@pytest.mark.parametrize("blocks", [True, False])
def test_plain_text_tells_the_same_and_steers_no_terminal(look, levels, blocks):
    text = once.plain(look(levels({0: 0, 5: 3})), blocks)
    for said in ("Gannet Holm dial", "missing 1", "stray 1", "should read", "14:30", "4:09"):
        assert said in text
    for state in State:
        assert state.value in text
    assert all(c.isprintable() or c == "\n" for c in text)
    assert blocks or text.isascii()


def test_no_board_is_one_sentence(make_feed, make_source, still_forecast, dial, now_us):
    feed = make_feed(make_source(None))
    with pytest.raises(UserError, match="there is no port /dev/dial"):
        once.look(feed, still_forecast(dial), lambda: now_us)


def test_a_board_that_sends_no_looks_is_told_of_as_it_is(
    make_feed, make_source, make_board, still_forecast, dial, now_us, monkeypatch
):
    monkeypatch.setattr(once, "WAIT_S", 0.3)
    feed = make_feed(make_source(make_board()))
    facts = once.snapshot(once.look(feed, still_forecast(dial), lambda: now_us))
    assert (facts["why_unobserved"], facts["link"]["connected"]) == ("no data", True)
    assert set(facts["states"]) == {"unobserved"}
