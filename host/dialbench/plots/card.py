"""The correction card as a sheet of paper: curve, figure of eight, table."""

from __future__ import annotations

import textwrap
from datetime import date, timedelta

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from dialbench.card import Card, Day
from dialbench.errors import inert
from dialbench.plots import figure

WIDTH_MM, HEIGHT_MM = 210.0, 297.0  # ISO 216, A4
_LISTED = (1, 6, 11, 16, 21, 26)  # days of each month
_MARGIN_MM, _SCALE_MM = 15.0, 50.0


def drawn(card: Card) -> Figure:
    """The sheet; make it and write it within figure.styled()."""
    whole = figure.sheet(WIDTH_MM, HEIGHT_MM)
    _words(whole, card)
    _curve(whole.add_axes(_box(25, 168, 108, 72)), card)
    _eight(whole.add_axes(_box(150, 168, 45, 72)), card)
    _table(whole.add_axes(_box(_MARGIN_MM, 42, WIDTH_MM - 2 * _MARGIN_MM, 108)), card)
    _scale(whole)
    return whole


def _box(
    left: float, bottom: float, width: float, height: float
) -> tuple[float, float, float, float]:
    """Millimetres from the lower left corner as shares of the sheet."""
    return (left / WIDTH_MM, bottom / HEIGHT_MM, width / WIDTH_MM, height / HEIGHT_MM)


def _words(whole: Figure, card: Card) -> None:
    site = card.dial.site

    def line(up_mm: float, text: str, size: float, colour: str = figure.INK) -> None:
        x, y = _MARGIN_MM / WIDTH_MM, up_mm / HEIGHT_MM
        whole.text(x, y, inert(text), fontsize=size, color=colour)

    line(277, f"{card.dial.name}: correction card for {card.year}", 15)
    place = f"{abs(site.latitude_deg):.3f} deg {'NS'[site.latitude_deg < 0]}"
    place += f", {abs(site.longitude_deg):.3f} deg {'EW'[site.longitude_deg < 0]}"
    line(270, f"{site.name}, {place}; time of the zone {site.zone}", 9, figure.SOFT)
    half = card.step_min / 2
    line(
        260,
        f"Time = what the pixels spell + {half:g} min (half a step) + the card's minutes,",
        10,
    )
    line(
        254, f"right within {half:g} min{_swing(card)} either way.  + is added, - is taken off.", 10
    )
    told = f"Below: for standard time. {_summer(card)}"
    if any(card.pose_deg):
        angles = zip("xyz", card.pose_deg, strict=True)
        told += f" For a body turned by {', '.join(f'{w:+.2f} deg about {n}' for n, w in angles)}."
    for at, part in enumerate(textwrap.wrap(told, 105)):
        line(247 - 4.5 * at, part, 9)


def _summer(card: Card) -> str:
    if len(card.changes) == 1 and not card.changes[0][1]:
        return "Clocks keep it all the year."
    parts = [
        f"from {day.day} {day:%b} add {ahead:.0f} min more"
        if ahead
        else f"from {day.day} {day:%b} nothing more"
        for day, ahead in card.changes
    ]
    return "For clocks " + ", ".join(parts) + "."


def _swing(card: Card) -> str:
    """How far morning and evening are from the day's own value, which the table has."""
    swings = [day.swing_s for day in card.days if day.swing_s is not None]
    return f" and {np.ceil(max(swings)):.0f} s" if swings else ""


def _curve(axes: Axes, card: Card) -> None:
    when = np.arange(len(card.days))
    months = [at for at, day in enumerate(card.days) if day.day.day == 1]
    axes.plot(when, [day.add_min for day in card.days], color=figure.BLUE, linewidth=1.6)
    axes.axhline(0, color=figure.SOFT, linewidth=0.8)
    axes.set_xlim(when[0], when[-1] + 1)
    axes.set_xticks(months, [f"{card.days[at].day:%b}" for at in months], ha="left", fontsize=7)
    axes.set_ylabel("add to the reading, min")
    figure.plain(axes)


def _eight(axes: Axes, card: Card) -> None:
    add = np.array([day.add_min for day in card.days])
    declination = np.array([day.declination_deg for day in card.days])
    axes.plot(add, declination, color=figure.AMBER, linewidth=1.4)
    for day in card.days:
        if day.day.day == 1:
            axes.plot(day.add_min, day.declination_deg, "o", color=figure.INK, markersize=2.5)
            axes.annotate(
                f"{day.day:%b}",
                (day.add_min, day.declination_deg),
                textcoords="offset points",
                xytext=(4, -2),
                fontsize=6,
            )
    axes.set_xlabel("add, min")
    axes.set_ylabel("Sun's declination, deg")
    figure.plain(axes)


def _table(axes: Axes, card: Card) -> None:
    axes.set_axis_off()
    axes.set_xlim(0, 13)
    axes.set_ylim(2 * len(_LISTED) + 1.4, -0.2)
    by_day = {day.day: day for day in card.days}
    for month in range(1, 13):
        first = date(card.year, month, 1)
        axes.text(month + 0.5, 0.6, f"{first:%b}", ha="center", fontsize=8.5, weight="bold")
        for row, of_month in enumerate(_LISTED):
            day = by_day[first + timedelta(days=of_month - 1)]
            y = 1.6 + 2 * row
            axes.text(month + 0.5, y, _short(day), ha="center", fontsize=8)
            turn = f"{abs(day.east_deg):.2f} {'E' if day.east_deg >= 0 else 'W'}"
            axes.text(month + 0.5, y + 0.8, turn, ha="center", fontsize=6.5, color=figure.SOFT)
    for row, of_month in enumerate(_LISTED):
        y = 1.6 + 2 * row
        axes.text(0.4, y, f"{of_month}.", ha="right", fontsize=8, weight="bold")
        axes.text(0.95, y, "min:s", ha="right", fontsize=6, color=figure.SOFT)
        axes.text(0.95, y + 0.8, "deg", ha="right", fontsize=6, color=figure.SOFT)
        axes.axhline(y + 1.05, color=figure.RULE, linewidth=0.6)


def _short(day: Day) -> str:
    seconds = round(abs(day.add_min) * 60)
    sign = "-" if day.add_min < 0 and seconds else "+"
    return f"{sign}{seconds // 60}:{seconds % 60:02}"


def _scale(whole: Figure) -> None:
    axes = whole.add_axes(_box(_MARGIN_MM, 24, _SCALE_MM, 4))
    axes.set_axis_off()
    axes.set_xlim(0, _SCALE_MM)
    axes.set_ylim(0, 1)
    axes.plot((0, 0, 0, _SCALE_MM, _SCALE_MM, _SCALE_MM), (0, 1, 0.5, 0.5, 1, 0), color=figure.INK)
    whole.text(
        (_MARGIN_MM + _SCALE_MM + 3) / WIDTH_MM,
        25 / HEIGHT_MM,
        f"{_SCALE_MM:.0f} mm: print at 100%",
        fontsize=8,
        color=figure.SOFT,
    )
    told = (
        "Grey: instead of adding, turn the dial about its polar axis, its noon side so many degrees"
        " to the east (E) or west (W) of\nthe placing that this card is for, not of last week's."
        " Never look at the Sun through the dial."
    )
    whole.text(
        _MARGIN_MM / WIDTH_MM,
        37 / HEIGHT_MM,
        told,
        fontsize=8,
        color=figure.SOFT,
        va="top",
        linespacing=1.5,
    )
