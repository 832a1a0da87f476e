"""From what is known and predicted to what is shown."""

from dataclasses import replace
from datetime import timedelta

import pytest

from dialbench.states import State
from dialbench.watch.events import Connected, Frame, Lost, Pulling
from dialbench.watch.forecast import Moment
from dialbench.watch.known import Known
from dialbench.watch.model import STALE_S, live_state, news


@pytest.fixture
def live(dial, levels, still_forecast, now_us):
    """A live state of the right face in direct sun, but for what is asked for."""
    forecast = still_forecast(dial)

    def live(
        frame=None,
        now_s=0.0,
        connection=None,
        ours=True,
        changes=True,
        at_us=now_us,
        on=dial,
        pulling=None,
    ):
        known = Known(
            connection=connection or Connected("/dev/dial", "5b", on.hash, "1", ""),
            ours=ours,
            frame=frame or Frame(now_us, 0.0, True, levels(), 4),
            changes=forecast.changes(now_us) if changes else None,
            pulling=pulling,
        )
        return live_state(on, known, forecast.moment(at_us), forecast.moment(now_us), now_s)

    return live


def test_the_right_face_reads_its_step_and_its_middle_against_zone_time(live):
    shown = live()
    assert (shown.reads.spells, shown.should_read.spells) == ("14:30", "14:30")
    # 14:37:30, the middle of what it reads, minus 14:33:10
    assert shown.difference_min == pytest.approx(4 + 20 / 60)
    assert shown.why_unobserved == ""
    assert shown.wrong == ()
    assert (shown.dropped, shown.frame_age_s) == (4, 0.0)


def test_wrong_channels_are_named_and_no_face_of_the_plan_is_read(live, levels, now_us, lit):
    dark = min(lit)
    stray = min(set(range(33)) - lit)
    shown = live(Frame(now_us, 0.0, True, levels({dark: 0, stray: 3}), 0))
    assert shown.channels(State.MISSING) == (dark,)
    assert shown.channels(State.STRAY) == (stray,)
    assert shown.wrong == tuple(sorted((dark, stray)))
    assert shown.reads is None
    assert shown.difference_min is None


def test_without_direct_sun_nothing_is_said_of_any_channel(live, levels, now_us):
    shown = live(Frame(now_us, 0.0, False, levels({0: 0}), 0))
    assert set(shown.states) == {State.UNOBSERVED}
    assert shown.why_unobserved == "no direct sun"
    assert shown.reads is None
    assert shown.should_read.spells == "14:30"


@pytest.mark.parametrize(
    ("kinds", "why"),
    [
        ({"now_s": STALE_S + 0.1}, "no data"),
        ({"connection": Lost("/dev/dial", "Gone.", True)}, "no board"),
        ({"ours": False}, "another dial"),
        ({"frame": Frame(0, 0.0, True, (3, 0), 0)}, "no data"),
    ],
)
def test_without_data_nothing_is_said_of_any_channel(live, kinds, why):
    shown = live(**kinds)
    assert set(shown.states) == {State.UNOBSERVED}
    assert shown.why_unobserved == why


def test_a_look_counts_as_present_until_it_is_stale(live):
    assert live(now_s=STALE_S).why_unobserved == ""


def test_the_next_change_takes_in_what_follows_within_a_minute(live, now_us):
    change = live().change
    assert (change.utc_us - now_us, change.in_s) == (249_000_000, 249.0)
    assert (change.lit, change.dark) == ((9, 17), (4,))
    later = live(at_us=now_us + 260_000_000).change
    assert (later.lit, later.dark) == ((17,), ())
    assert live(at_us=now_us + 3600_000_000).change is None
    assert live(changes=False).change is None


def test_zone_time_is_standard_time_and_so_is_the_difference(live, dial):
    # In April Berlin's clocks show UTC+2; a dial knows UTC+1 only.
    shown = live(on=replace(dial, site=replace(dial.site, zone="Europe/Berlin")))
    assert shown.zone_time.utcoffset() == timedelta(hours=1)
    assert f"{shown.zone_time:%H:%M}" == "16:33"
    # It reads 14:30 where the clock says 16:33:10.
    assert shown.difference_min == pytest.approx(4 + 20 / 60 - 120)


def test_a_sun_below_the_horizon_asks_for_no_reading(live):
    shown = live()
    night = replace(shown.sun, up=False)
    assert shown.should_read is not None
    known = Known(connection=shown.connection)
    moment = Moment(shown.utc_us, night, (), 24, 0.0)
    assert live_state(shown.dial, known, moment, None, 0.0).should_read is None


def test_a_pull_under_way_is_part_of_the_state(live):
    assert live(pulling=Pulling(1, 2)).pulling == Pulling(1, 2)


def test_news_are_new_faults_readings_and_the_coming_and_going_of_the_sun(live, levels, now_us):
    right = live()
    wrong = live(Frame(now_us, 0.0, True, levels({0: 0, 5: 3, 9: 3}), 0))
    cloud = live(Frame(now_us, 0.0, False, levels(), 0))
    assert news(None, wrong) == []
    assert news(right, right) == []
    assert news(right, wrong) == ["missing: 0", "stray: 5, 9"]
    assert news(wrong, wrong) == []
    assert news(wrong, right) == ["the dial reads 14:30"]
    assert news(right, cloud) == ["direct sun went"]
    assert news(cloud, right) == ["the dial reads 14:30", "direct sun came"]
    assert news(right, live(now_s=10.0)) == ["no live looks any more"]
