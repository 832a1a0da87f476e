"""An audit for people: sentences, and tables whose first row is the heading."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date
from typing import Any

from dialbench.audit.facts import facts
from dialbench.audit.limits import TENTH
from dialbench.audit.result import Audit
from dialbench.sky import from_us

Rows = list[list[str]]

_STRETCHES = 2  # of days, told one by one
_GHOSTS = 12  # the strongest are told; facts has all


def headline(found: Audit) -> str:
    by_day = found.by_day
    worst = by_day.least_right
    return (
        f"{found.dial.name}, {found.dial.site.name}, {found.year}{_season(found)}: the right face stands "
        f"{_percent(found.duty)} of the plan's {found.whole.total_us[0] / 3.6e9:.0f} hours, wrong "
        f"light {_percent(found.wrong)}; the worst day is {found.seen.time.dates[worst]} with "
        f"{_percent(by_day.duty[worst])}."
    )


def _season(found: Audit) -> str:
    if found.limits.season_deg is None:
        return ""
    low_deg, high_deg = found.limits.season_deg
    return f", on days with the Sun at declinations from {low_deg:.2f} to {high_deg:.2f} deg"


def tables(found: Audit) -> Iterator[tuple[str, Rows]]:
    """Title and rows of each table; those that would be empty are left out."""
    told = facts(found)
    yield "By month", _months(told)
    yield "By step", _steps(told)
    yield "By channel, while it should be lit", _channels(told)
    if found.ghosts:
        more = len(found.ghosts) - _GHOSTS
        yield (
            f"Ghosts, the strongest first{f', and {more} more' if more > 0 else ''}",
            _ghosts(found),
        )


def remarks(found: Audit) -> Iterator[str]:
    """What else was found, one sentence each."""
    if not found.ghosts:
        yield "No ghosts."
    late, stretch = found.late, found.stretch
    if late.worst is None:
        yield f"None of the plan's {late.count} edges has a crossing within half a step."
    else:
        missed = (
            f"; at {late.missed} of {late.count} it does neither within half a step"
            if late.missed
            else ""
        )
        yield (
            f"Light comes and goes {late.rms_s:.1f} s (rms) and at most {abs(late.worst_s):.1f} s "
            f"from the plan's boundaries{missed}."
        )
    if stretch.worst is not None:
        yield (
            "Stray light on the ramps of channels' own bores stretches their edges by "
            f"{stretch.rms_s:.1f} s (rms) and at most {abs(stretch.worst_s):.1f} s."
        )
    yield from _made(found)
    nearest = [each for each in found.apart if each.channels == found.hamming]
    if found.hamming is not None:
        steps = found.dial.plan.steps
        pair = steps[nearest[0].step].spells, steps[nearest[0].nearest[0]].spells
        yield (
            f"The nearest faces that spell otherwise, {pair[0]} and {pair[1]} for one, differ in "
            f"{_counted(found.hamming, 'channel')}."
        )


def _made(found: Audit) -> Iterator[str]:
    built = found.walls
    yield (
        f"Of {_counted(built.pairs, 'pair')} of bores of different channels {built.meeting} meet "
        f"inside the body, and {built.thin} more have less than {found.dial.body.wall_mm:g} mm "
        "between them."
    )
    if built.least is not None:
        one, other = built.least.bores
        x, y, z = built.least.sides_mm[0]
        yield (
            f"The least wall between others is {built.least.wall_mm:.3f} mm, at x {x:.1f}, y "
            f"{y:.1f}, z {z:.1f} mm, between channel {one.channel}'s bore at hour angle "
            f"{one.hour_angle_deg:.2f} deg and channel {other.channel}'s at "
            f"{other.hour_angle_deg:.2f} deg."
        )
    if built.pockets:
        yield (
            f"{_counted(built.pockets, 'sector')} between slots of one channel are too thin and "
            f"left out as pockets, {built.through} of them through the whole body, the deepest "
            f"{built.deepest_mm:.1f} mm."
        )
    yield f"The smallest feature is {built.feature_mm:.3f} mm: {built.feature}."
    loose = found.loose_mm3
    if loose:
        yield (
            f"The body falls into {1 + len(loose)} pieces; {_counted(len(loose), 'piece')} of up to "
            f"{loose[0]:.1f} mm3 would fall free."
        )
    else:
        crumbs = len(found.pieces_mm3) - 1
        beside = f", besides {_counted(crumbs, 'crumb')}" if crumbs > 0 else ""
        yield f"The body is one piece of {found.pieces_mm3[0] / 1000:.1f} cm3{beside}."


def _months(told: dict[str, Any]) -> Rows:
    rows = [["month", "hours", "right", "wrong", "worst day", "right on it"]]
    for month in told["months"]:
        shares = [_or_blank(month[name]) for name in ("duty", "wrong")]
        worst = [month["worst_day"] or "", _or_blank(month["worst_duty"])]
        rows.append([month["month"], f"{month['hours']:.1f}", *shares, *worst])
    return rows


def _steps(told: dict[str, Any]) -> Rows:
    heading = ["step", "right", "wrong", "contrast", "in middle half", "no face at its end (s)"]
    rows = [[*heading, "at most (s)"]]
    for step in told["steps"]:
        gap = step["gap_s"]
        gaps = [f"{gap['mean']:.1f}", f"{gap['longest']:.1f}"] if gap else ["", ""]
        shares = [_or_blank(step[name]) for name in ("duty", "wrong")]
        contrasts = [_contrast(step[name]) for name in ("contrast", "contrast_middle_half")]
        rows.append([step["spells"], *shares, *contrasts, *gaps])
    return rows


def _contrast(of: dict[str, Any] | None) -> str:
    if of is None:
        return ""
    return "no end" if of["ratio"] is None else f"{of['ratio']:.2f}"


def _channels(told: dict[str, Any]) -> Rows:
    rows = [["channel", "mean lit", "least in a middle half", "exit (mm2)", "lit (mm2)"]]
    for of in told["channels"]:
        lit = [_or_blank(of[name], "{:.3f}") for name in ("mean", "least")]
        areas = [_or_blank(of[name], "{:.3f}") for name in ("exit_mm2", "lit_mm2")]
        rows.append([str(of["channel"]), *lit, *areas])
    return rows


def _ghosts(found: Audit) -> Rows:
    zone, steps = found.dial.site.tz, found.dial.plan.steps
    rows = [["channel", "step", "peak", "at", "declination", "days", "through (hour angle)"]]
    for ghost in found.ghosts[:_GHOSTS]:
        low, high = ghost.declination_deg
        rows.append(
            [
                str(ghost.channel),
                steps[ghost.step].spells,
                f"{ghost.peak:.3f}",
                f"{from_us(ghost.peak_us).astimezone(zone):%m-%d %H:%M}",
                f"{low:.1f} to {high:.1f}",
                _days(ghost.dates),
                ", ".join(
                    f"{way.bore.channel} ({way.bore.hour_angle_deg:.2f})"
                    for way in ghost.through
                    if way.share >= TENTH
                ),
            ]
        )
    return rows


def _days(stretches: Sequence[tuple[date, date]]) -> str:
    """Some stretches of days one by one; many by their number and the first and last of them."""
    if len(stretches) <= _STRETCHES:
        return ", ".join(_stretch(*stretch) for stretch in stretches)
    count = sum((last - first).days + 1 for first, last in stretches)
    return f"{count} from {stretches[0][0]:%m-%d} to {stretches[-1][1]:%m-%d}"


def _stretch(first: date, last: date) -> str:
    return f"{first:%m-%d}" if first == last else f"{first:%m-%d} to {last:%m-%d}"


def _percent(share: float) -> str:
    return f"{100 * share:.2f}%"


def _or_blank(value: float | None, form: str = "{:.2%}") -> str:
    return "" if value is None else form.format(value)


def _counted(count: int, what: str) -> str:
    return f"{count} {what}{'' if count == 1 else 's'}"
