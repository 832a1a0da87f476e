"""What an event adds to what is known."""

import pytest

from dialbench.watch.events import (
    Compared,
    Connected,
    Failed,
    Frame,
    Health,
    Lost,
    Marked,
    Noted,
    Pulled,
    Pulling,
)
from dialbench.watch.known import Known, heard

FRAME = Frame(1, 0.0, True, (0,), 0)


@pytest.fixture
def hear(dial):
    def hear(*events, known=None):
        known = known or Known()
        for at, event in enumerate(events):
            known = heard(known, event, at, dial)
        return known

    return hear


def connected(dial, **kinds):
    told = {"port": "/dev/dial", "uid": "5b", "dial_hash": dial.hash, "firmware": "1"}
    return Connected(**{**told, "trouble": "", **kinds})


def lines(known):
    return [text for _, text in known.happened]


def test_a_loss_takes_the_frame_and_a_pull_with_it_and_counters_stay(dial, hear):
    health = Health(0, 5, 5, 0, 0, 0, 0, 0)
    known = hear(
        connected(dial), health, FRAME, Pulling(1, 5), Lost("/dev/dial", "It is gone.", True)
    )
    assert (known.frame, known.pulling, known.health) == (None, None, health)
    assert lines(known)[-1] == "It is gone."


def test_a_board_that_was_there_has_vanished_whatever_opening_says_next(dial, hear):
    absent = Lost("/dev/dial", "There is no such port.", vanished=False)
    assert not hear(absent).connection.vanished
    assert hear(connected(dial), absent).connection.vanished
    gone = Lost("/dev/dial", "It is gone.", vanished=True)
    assert hear(connected(dial), gone, absent, absent).connection.vanished


def test_the_same_reason_again_is_one_line(hear):
    again = Lost("/dev/dial", "There is no such port.", vanished=False)
    assert lines(hear(again, again, again)) == ["There is no such port."]


def test_a_board_for_another_dial_and_one_in_trouble_are_told_of(dial, hear):
    known = hear(connected(dial, dial_hash="00" * 8, trouble="no configuration"))
    assert "does not log: no configuration" in lines(known)[1]
    assert not known.ours
    assert hear(connected(dial)).ours
    assert "another dial (0000000000000000)" in lines(known)[2]


def test_the_end_of_a_pull_is_told_with_what_it_left_behind(hear):
    known = hear(Pulling(3, 5), Pulled("5b", 4, "1 page did not come through"))
    assert (known.pulling, known.comparing) == (None, True)
    assert not hear(Compared(), known=known).comparing
    assert lines(known) == ["log pulled, 4 pages new", "1 page did not come through"]
    assert lines(hear(Pulled("5b", 4, ""))) == ["log pulled, 4 pages new"]


def test_a_failure_ends_a_pull(hear):
    known = hear(Pulling(3, 5), Failed("The disk is full."))
    assert known.pulling is None
    assert lines(known) == ["pull: The disk is full."]


def test_a_mark_is_kept_and_told_with_its_uncertainty(hear):
    known = hear(Marked(10, 2100))
    assert known.mark == Marked(10, 2100)
    assert lines(known) == ["clock mark, within 2.1 ms"]


def test_the_list_of_events_is_bounded(hear):
    known = hear(*[Noted(str(n)) for n in range(1000)])
    assert len(known.happened) == 200
    assert lines(known)[-1] == "999"
