"""The facts beside the face, as titled rows of text: one source for screen and plain print."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from dialbench.errors import inert
from dialbench.reading import zone_time
from dialbench.shares import Shares
from dialbench.sky import SunFacts
from dialbench.states import State
from dialbench.watch.events import Connected, Lost
from dialbench.watch.model import LiveState


@dataclass(frozen=True)
class Row:
    """One line: a value, and whether it asks for attention."""

    label: str
    value: str
    alert: bool = False


@dataclass(frozen=True)
class Section:
    title: str
    rows: tuple[Row, ...]


def sections(live: LiveState, roomy: bool) -> tuple[Section, ...]:
    """Everything beside the face, in reading order; values are at most 21 characters
    where the dial's own names are not longer. roomy: whether each share of dial - clock may
    have a row of its own."""
    return (
        Section("time", (*_time(live), *(() if roomy else _briefly(live.shares)))),
        *((Section("of dial - clock, min", _shares(live.shares)),) if roomy else ()),
        Section("ahead", _change(live)),
        Section("Sun, deg", sun_rows(live.sun)),
        Section("link", _link(live)),
        Section("log", _log(live)),
    )


def numbers(channels: Sequence[int], room: int = 20) -> str:
    """Channel numbers in at most room characters, the rest of them counted."""
    if not channels:
        return "none"
    for shown in range(len(channels), 0, -1):
        left = len(channels) - shown
        text = " ".join(map(str, channels[:shown])) + (f" +{left} more" if left else "")
        if len(text) <= room:
            return text
    return f"{len(channels)} channels"


def span(seconds: float) -> str:
    """A time to wait: "4:09", "1:04:09"."""
    whole = max(0, round(seconds))
    hours, minutes, rest = whole // 3600, whole // 60 % 60, whole % 60
    return f"{hours}:{minutes:02}:{rest:02}" if hours else f"{minutes}:{rest:02}"


def stamp(live: LiveState, utc_us: int) -> str:
    """The time of an event, in zone time."""
    return f"{zone_time(live.dial, utc_us):%H:%M:%S}"


def reading(live: LiveState) -> str:
    """What the dial reads now, in words."""
    if live.why_unobserved:
        return live.why_unobserved
    return live.reads.spells if live.reads is not None else "no face of the plan"


def _time(live: LiveState) -> tuple[Row, ...]:
    due = live.should_read.spells if live.should_read else "nothing now"
    wrong = bool(live.wrong) and live.reads != live.should_read
    zone = live.zone_time
    away = "-" if live.difference_min is None else f"{live.difference_min:+.1f} min"
    return (
        Row("dial reads", reading(live), alert=wrong),
        Row("should read", due),
        Row("zone clock", f"{zone:%H:%M:%S}  {offset(zone)}"),
        Row("UTC", f"{live.utc:%H:%M:%S}  {live.utc:%Y-%m-%d}"),
        Row("dial - clock", away),
    )


def _shares(found: Shares) -> tuple[Row, ...]:
    """Whose fault dial - clock is, cause by cause."""
    pose = "unknown yet"
    if found.pose_min is not None and found.shift is not None:
        sure = 1.96 * found.shift.sigma_s / 60
        pose = f"{found.pose_min:+.1f} +-{sure:.1f} ({found.shift.whence})"
    rows = [
        Row("eq. of time", _minutes(found.equation_of_time_min)),
        Row("longitude", _minutes(found.longitude_min)),
        Row("air, UT1", _minutes(found.air_min)),
        Row("pose, making", pose),
        Row("within step", _minutes(found.step_min)),
    ]
    if found.face_min:
        rows.append(Row("wrong step", _minutes(found.face_min), alert=True))
    return tuple(rows)


def _briefly(found: Shares) -> tuple[Row, ...]:
    """The same in two rows."""
    place = found.longitude_min + found.air_min
    wrong = f", off {found.face_min:+.0f}" if found.face_min else ""
    unknown = "?" if wrong else "unknown"
    pose = unknown if found.pose_min is None else _minutes(found.pose_min)
    return (
        Row("eq.time,place", f"{_minutes(found.equation_of_time_min)}, {_minutes(place)} min"),
        Row("step, pose", f"{_minutes(found.step_min)}, {pose}{wrong}", alert=bool(wrong)),
    )


def _minutes(share: float | None) -> str:
    return "-" if share is None else f"{round(share, 1) + 0.0:+.1f}"  # no minus before nought


def offset(clock: datetime) -> str:
    """How far a clock is ahead of UTC: "-01:00"."""
    z = f"{clock:%z}"
    return f"{z[:3]}:{z[3:5]}"


def _change(live: LiveState) -> tuple[Row, ...]:
    change = live.change
    if change is None:
        return (Row("next change", "none within a day" if live.foretold else "being computed"),)
    local = zone_time(live.dial, change.utc_us)
    return (
        Row("next change", f"{span(change.in_s)}  at {local:%H:%M:%S}"),
        Row("will be lit", numbers(change.lit)),
        Row("will be dark", numbers(change.dark)),
    )


def sun_rows(sun: SunFacts) -> tuple[Row, ...]:
    """Where the Sun stands, in two rows."""
    return (
        Row("hour angle", f"{sun.hour_angle_deg:<+7.2f} decl {sun.declination_deg:+6.2f}"),
        Row("altitude", f"{sun.altitude_deg:<+7.2f} az   {sun.azimuth_deg:6.2f}"),
    )


def _link(live: LiveState) -> tuple[Row, ...]:
    match live.connection:
        case None:
            return (Row("board", "looking for it"),)
        case Lost(port=port, vanished=vanished):
            what = "VANISHED, trying" if vanished else "NOT THERE, trying"
            return (Row("board", what, alert=True), Row("port", inert(port)))
        case Connected(port=port):
            age = "none yet" if live.frame_age_s is None else f"{live.frame_age_s:.0f} s ago"
            bad = live.health.bad_frames if live.health else 0
            return (
                Row("board", "connected"),
                Row("port", inert(port)),
                Row("last frame", age, alert=live.why_unobserved == "no data"),
                Row("bad, dropped", _losses(bad, live), alert=bad > 0),
            )


def _losses(bad: int, live: LiveState) -> str:
    text = f"{bad}, {live.dropped or 0}"
    if not live.unshown:
        return text
    unshown = str(live.unshown) if live.unshown < 10**6 else f"{live.unshown / 1e6:.1f}M"
    return f"{text}, {unshown} unshown"


def _log(live: LiveState) -> tuple[Row, ...]:
    health = live.health
    mark = "none yet"
    if live.mark is not None:
        at = zone_time(live.dial, live.mark.utc_us)
        mark = f"{at:%H:%M:%S} +-{live.mark.sigma_us / 1000:.1f} ms"
    rows = [Row("clock mark", mark, alert=live.mark is None)]
    if health is not None:
        stored = "-" if health.pages_in_store is None else str(health.pages_in_store)
        rows += [
            Row("pages", f"{health.next_page - health.first_page} there, {stored} stored"),
            Row(
                "overflow,torn",
                f"{health.overflow_records} records, {health.torn_pages} pages",
                alert=health.overflow_records > 0 or health.torn_pages > 0,
            ),
            Row(
                "retired,blind",
                f"{health.retired_pages} pages, {health.blind_ms / 1000:.1f} s",
            ),
        ]
    return tuple(rows)


def tally(states: Sequence[State], why_unobserved: str) -> tuple[tuple[State, int, str], ...]:
    """The legend: each state, how many channels are in it, and what it means."""
    meaning = {
        State.LIT: "predicted",
        State.DARK: "predicted",
        State.MISSING: "predicted lit",
        State.STRAY: "unpredicted",
        State.UNOBSERVED: why_unobserved or "not observed",
    }
    return tuple((state, states.count(state), meaning[state]) for state in State)
