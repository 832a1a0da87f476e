"""Crossings seen in live looks: what is taken for one, and what they say in the end."""

from dialbench.shares import Shift
from dialbench.watch.events import Changes, Connected, Frame, Judged
from dialbench.watch.known import Known, heard
from dialbench.watch.model import live_state
from dialbench.watch.panel import sections
from dialbench.watch.seen import Seen, foretold, looked

S = 1_000_000


def frame(at_s, *levels, gate=True):
    return Frame(round(at_s * S), 0.0, gate, levels, 0)


def test_a_crossing_lies_between_two_looks_and_says_which_way():
    seen = looked(Seen(), frame(10, 0, 3, 1), frame(10.2, 2, 1, 1))
    assert seen.came == ((10_100_000, 0, True), (10_100_000, 1, False))


def test_looks_that_tell_no_crossing():
    for before, after in (
        (None, frame(10, 3)),
        (frame(9, 0, gate=False), frame(10, 3)),  # direct sun came: the light was there before
        (frame(9, 0), frame(10, 3, gate=False)),
        (frame(0, 0), frame(11, 3)),  # too far apart
        (frame(10, 0), frame(9, 3)),  # the clock went back
        (frame(9, 0), frame(10, 1)),  # a quarter of the light is not half
    ):
        assert looked(Seen(), before, after) == Seen()


def test_newer_predictions_replace_older_ones_of_the_same_time():
    old = foretold(Seen(), Changes(0, 100, ((10, 1, True), (60, 2, True))))
    new = foretold(old, Changes(50, 150, ((61, 2, True), (120, 3, False))))
    assert new.due == ((10, 1, True), (61, 2, True), (120, 3, False))


def test_a_dial_that_is_late_is_found_out_while_it_is_watched(dial, levels, still_forecast, now_us):
    """Twelve channels, 90 s late each, in looks a second apart."""
    due = tuple((now_us + 20 * n * S, n, n % 2 == 0) for n in range(12))
    known = Known()
    for event in (
        Connected("/dev/dial", "5b", dial.hash, "1", ""),
        Changes(now_us, now_us + 3600 * S, due),
    ):
        known = heard(known, event, now_us, dial)
    lit = {channel: 0 if rising else 3 for _, channel, rising in due}
    for second in range(400):
        for at_us, channel, rising in due:
            if at_us + 90 * S == now_us + second * S:
                lit[channel] = 3 if rising else 0
        look = Frame(now_us + second * S, 0.0, True, levels(lit), 0)
        known = heard(known, look, now_us, dial)
    shift = known.seen.shift
    assert (shift.crossings, shift.whence) == (12, "live")
    assert abs(shift.late_s - 90) <= 0.5
    moment = still_forecast(dial).moment(now_us)
    live = live_state(dial, known, moment, moment, 0.0)
    rows = {row.label: row.value for part in sections(live, roomy=True) for row in part.rows}
    assert rows["pose, making"] == "-1.5 +-0.0 (live)"
    # Another board is another dial's standing: what was seen is forgotten, by the store too.
    stored = heard(known, Judged(Shift(5.0, 1.0, 99, "store")), now_us, dial)
    other = heard(stored, Connected("/dev/dial", "5c", dial.hash, "1", ""), now_us, dial)
    assert (other.seen.came, other.seen.shift, other.stored) == ((), None, None)


def test_what_is_seen_outweighs_what_was_logged(dial, levels, still_forecast, now_us):
    moment = still_forecast(dial).moment(now_us)
    logged = Shift(5.0, 1.0, 99, "store")
    seen = Seen(shift=Shift(30.0, 1.0, 9, "live"))
    assert live_state(dial, Known(stored=logged), moment, None, 0.0).shares.shift == logged
    both = live_state(dial, Known(stored=logged, seen=seen), moment, None, 0.0)
    assert both.shares.shift.whence == "live"
