"""What waits for the screen: nothing is lost but looks, and these are counted."""

from dialbench.watch.events import Frame, Noted
from dialbench.watch.inbox import FRAMES, Inbox


def frame(number):
    return Frame(number, 0.0, True, (), 0)


def test_the_first_event_wakes_and_all_come_in_order():
    inbox = Inbox()
    events = [Noted("a"), frame(1), Noted("b")]
    assert [inbox.put(event) for event in events] == [True, False, False]
    assert inbox.take() == (events, 0)
    assert inbox.take() == ([], 0)
    assert inbox.put(Noted("c"))


def test_looks_that_nobody_takes_give_way_to_newer_ones_and_are_counted():
    inbox = Inbox()
    for number in range(FRAMES + 10):
        inbox.put(frame(number))
        inbox.put(Noted(str(number)))
    events, passed_over = inbox.take()
    assert passed_over == 10
    assert [e.utc_us for e in events if isinstance(e, Frame)] == list(range(10, FRAMES + 10))
    assert [e.text for e in events if isinstance(e, Noted)] == list(map(str, range(FRAMES + 10)))
    inbox.put(frame(0))
    assert inbox.take() == ([frame(0)], 0)
