"""The facts beside the face, in words."""

from dataclasses import replace

import pytest

from dialbench.shares import Shift
from dialbench.states import State
from dialbench.watch import panel
from dialbench.watch.events import Connected, Frame, Health, Lost, Marked
from dialbench.watch.known import Known
from dialbench.watch.model import live_state


@pytest.fixture
def rows(dial, levels, still_forecast, now_us):
    """{label: row} of a live state with what a test knows."""

    def rows(bent=None, now_s=0.0, roomy=False, **known):
        forecast = still_forecast(dial)
        told = {
            "connection": Connected("/dev/dial", "5b", dial.hash, "1", ""),
            "ours": True,
            "frame": Frame(now_us, 0.0, True, levels(bent), 4),
            "health": Health(12, 53, 39, 0, 0, 12, 1430, 0),
            "mark": Marked(now_us - 620_000_000, 2100),
            "changes": forecast.changes(now_us),
        }
        moment = forecast.moment(now_us)
        live = live_state(dial, Known(**{**told, **known}), moment, moment, now_s)
        shown = panel.sections(live, roomy)
        return {row.label: row for section in shown for row in section.rows}

    return rows


def test_the_facts_of_a_good_day(rows):
    assert {label: row.value for label, row in rows().items()} == {
        "dial reads": "14:30",
        "should read": "14:30",
        "zone clock": "14:33:10  -01:00",
        "UTC": "15:33:10  2027-04-16",
        "dial - clock": "+4.3 min",
        "eq.time,place": "+0.2, +0.0 min",
        "step, pose": "+4.2, unknown",
        "next change": "4:09  at 14:37:19",
        "will be lit": "9 17",
        "will be dark": "4",
        "hour angle": "+36.93  decl +10.21",
        "altitude": "+45.13  az   236.94",
        "board": "connected",
        "port": "/dev/dial",
        "last frame": "0 s ago",
        "bad, dropped": "0, 4",
        "clock mark": "14:22:50 +-2.1 ms",
        "pages": "41 there, 39 stored",
        "overflow,torn": "0 records, 0 pages",
        "retired,blind": "12 pages, 1.4 s",
    }
    assert not any(row.alert for row in rows().values())


def test_values_fit_beside_the_face_on_the_smallest_screen(rows):
    wrong = {"bent": {15: 3}, "stored": Shift(-1234.0, 300.0, 9, "store")}
    for kinds in ({}, {"bent": {0: 0}}, {"frame": None}, wrong):
        for roomy in (False, True):
            for row in rows(roomy=roomy, **kinds).values():
                assert len(row.label) <= 13, row
                assert len(row.value) <= 21, row


def test_with_room_every_share_of_the_difference_has_a_row_and_they_add_up(rows):
    shown = rows(roomy=True, stored=Shift(30.0, 6.0, 9, "store"))
    shares = {
        "eq. of time": "+0.2",
        "longitude": "+0.0",
        "air, UT1": "+0.0",
        "pose, making": "-0.5 +-0.2 (store)",
        "within step": "+4.7",
    }
    assert {label: shown[label].value for label in shares} == shares
    assert "wrong step" not in shown
    assert sum(float(told.split()[0]) for told in shares.values()) == pytest.approx(4.3, abs=0.15)
    assert rows(roomy=True)["pose, making"].value == "unknown yet"


def test_the_dial_that_shows_another_step_is_blamed_for_it(rows, dial):
    """Channels 15 to 17 are the quarter dots: with one dark it spells 14:15."""
    dots = sorted(dial.plan.steps[24].channels - dial.plan.steps[23].channels)
    shown = rows(bent={dots[0]: 0}, roomy=True)
    assert shown["dial reads"].value == "14:15"
    assert shown["wrong step"].value == "-15.0" and shown["wrong step"].alert
    assert rows(bent={dots[0]: 0})["step, pose"].value == "+4.2, ?, off -15"


@pytest.mark.parametrize(
    ("known", "label", "value"),
    [
        ({"bent": {0: 0}}, "dial reads", "no face of the plan"),
        ({"connection": Lost("/dev/dial", "Gone.", True)}, "board", "VANISHED, trying"),
        ({"connection": Lost("/dev/dial", "None.", False)}, "board", "NOT THERE, trying"),
        ({"frame": None}, "last frame", "none yet"),
        ({"now_s": 12.0}, "last frame", "12 s ago"),
        ({"health": Health(12, 53, 39, 0, 0, 12, 1430, 7)}, "bad, dropped", "7, 4"),
        ({"health": Health(12, 53, 39, 3, 0, 12, 1430, 0)}, "overflow,torn", "3 records, 0 pages"),
        ({"health": Health(12, 53, 39, 0, 2, 12, 1430, 0)}, "overflow,torn", "0 records, 2 pages"),
        ({"mark": None}, "clock mark", "none yet"),
    ],
)
def test_what_is_wrong_asks_for_attention(rows, known, label, value):
    row = rows(**known)[label]
    assert (row.value, row.alert) == (value, True)


def test_a_board_of_another_dial_has_no_pages_in_the_store(rows):
    known = rows(health=Health(0, 3, None, 0, 0, 0, 0, 0))
    assert known["pages"].value == "3 there, - stored"


def test_changes_not_yet_known_and_none_ahead_are_told_apart(rows, still_forecast, dial, now_us):
    assert rows(changes=None)["next change"].value == "being computed"
    empty = replace(still_forecast(dial).changes(now_us), crossings=())
    assert rows(changes=empty)["next change"].value == "none within a day"


def test_channel_numbers_never_outgrow_their_row():
    assert panel.numbers(()) == "none"
    assert panel.numbers((4, 17)) == "4 17"
    for count in range(1, 129):
        for room in (12, 20, 40):
            text = panel.numbers(tuple(range(count)), room)
            assert len(text) <= room
            shown, _, more = text.partition(" +")
            listed = 0 if "channels" in shown else len(shown.split())
            if "channels" not in shown:
                assert listed + int(more.split()[0] if more else 0) == count


@pytest.mark.parametrize(
    ("seconds", "text"), [(-3.0, "0:00"), (59.6, "1:00"), (249.0, "4:09"), (3849.0, "1:04:09")]
)
def test_a_countdown(seconds, text):
    assert panel.span(seconds) == text


def test_the_tally_counts_every_channel_once(dial, levels, still_forecast, now_us):
    forecast = still_forecast(dial)
    moment = forecast.moment(now_us)
    known = Known(
        connection=Connected("/dev/dial", "5b", dial.hash, "1", ""),
        ours=True,
        frame=Frame(now_us, 0.0, True, levels({0: 0, 5: 3}), 0),
    )
    live = live_state(dial, known, moment, moment, 0.0)
    tally = panel.tally(live.states, live.why_unobserved)
    assert [state for state, _, _ in tally] == list(State)
    assert sum(count for _, count, _ in tally) == len(dial.channels)
    assert {state: count for state, count, _ in tally}[State.MISSING] == 1
