"""Which of the limits that a dial is held to are broken, by how much, when and where."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime

from dialbench.audit.ghosts import Ghost
from dialbench.audit.result import Audit
from dialbench.sky import from_us

TENTH = 0.1  # of a ghost's light, through bores that are worth naming
_CLOSE = 1e-9  # a figure that equals its limit keeps it, whatever its last digit says


@dataclass(frozen=True)
class Broken:
    """One broken limit: its name, the value found and the value asked, and a sentence."""

    limit: str
    value: float
    asked: float
    sentence: str


def broken(found: Audit) -> tuple[Broken, ...]:
    """All broken limits, in the order of dial.toml; none where nothing is asked."""
    return tuple(_broken(found))


def _broken(found: Audit) -> Iterator[Broken]:
    asked = found.limits
    if asked.duty is not None and found.duty < asked.duty - _CLOSE:
        day, step = found.by_day.least_right, found.by_step.least_right
        sentence = (
            f"the right face stands {_percent(found.duty)} of the plan's time, of which at least "
            f"{_percent(asked.duty)} is asked; the least on {found.seen.time.dates[day]} "
            f"({_percent(found.by_day.duty[day])}) and in step {_spelt(found, step)} "
            f"({_percent(found.by_step.duty[step])})"
        )
        yield _said("duty", found.duty, asked.duty, sentence)
    if asked.wrong is not None and found.wrong > asked.wrong + _CLOSE:
        day, step = found.by_day.most_wrong, found.by_step.most_wrong
        sentence = (
            f"a channel is lit that should be dark {_percent(found.wrong)} of the plan's time, of "
            f"which at most {_percent(asked.wrong)} is asked; the most on "
            f"{found.seen.time.dates[day]} ({_percent(found.by_day.wrong[day])}) and in step "
            f"{_spelt(found, step)} ({_percent(found.by_step.wrong[step])})"
        )
        yield _said("wrong", found.wrong, asked.wrong, sentence)
    if asked.ghost is not None and found.ghost > asked.ghost + _CLOSE:
        ghost = found.ghosts[0]
        sentence = (
            f"stray light lights channel {ghost.channel} to {ghost.peak:.3f} in step "
            f"{_spelt(found, ghost.step)} {_when(found, ghost.peak_us)}, at hour angle "
            f"{ghost.peak_hour_angle_deg:.2f} deg and declination "
            f"{ghost.peak_declination_deg:.2f} deg, {way_of(ghost)}; at most {asked.ghost:g} is asked"
        )
        yield _said("ghost", found.ghost, asked.ghost, sentence)
    if asked.contrast is not None and found.contrast < asked.contrast - _CLOSE:
        least = found.middle
        k = int(least.ratio.argmin())
        sentence = (
            f"in the middle of step {_spelt(found, int(least.step[k]))} "
            f"{_when(found, int(least.utc_us[k]))} channel {least.dim[k]}, which should be lit, is "
            f"lit to {least.dim_lit[k]:.3f}, and channel {least.bright[k]}, which should be dark, "
            f"to {least.bright_lit[k]:.3f}: a ratio of {found.contrast:.2f}; at least "
            f"{asked.contrast:g} is asked"
        )
        yield _said("contrast", found.contrast, asked.contrast, sentence)
    hamming = found.hamming
    if asked.hamming is not None and hamming is not None and hamming < asked.hamming:
        nearest = next(each for each in found.apart if each.channels == hamming)
        sentence = (
            f"the faces of steps {_spelt(found, nearest.step)} and "
            f"{_spelt(found, nearest.nearest[0])} differ in {hamming} channel"
            f"{'' if hamming == 1 else 's'}; at least {asked.hamming} is asked"
        )
        yield _said("hamming", hamming, asked.hamming, sentence)


def way_of(ghost: Ghost) -> str:
    """Through which bores a ghost comes, in words: those with a tenth of its light and more."""
    ways = [
        f"channel {way.bore.channel} at hour angle {way.bore.hour_angle_deg:.2f} deg"
        for way in ghost.through
        if way.share >= TENTH
    ]
    if not ways:
        return "through which bores was not looked for"
    return f"through {'bores' if len(ways) > 1 else 'the bore'} of {' and '.join(ways)}"


def _said(limit: str, value: float, asked: float, sentence: str) -> Broken:
    return Broken(limit, float(value), float(asked), f"{limit}: {sentence}.")


def _spelt(found: Audit, step: int) -> str:
    return found.dial.plan.steps[step].spells


def _when(found: Audit, utc_us: int) -> str:
    moment: datetime = from_us(utc_us).astimezone(found.dial.site.tz)
    return f"on {moment:%Y-%m-%d} at {moment:%H:%M}"


def _percent(share: float) -> str:
    """To four digits, and never 100% of what is less."""
    text = f"{100 * share:.4g}"
    return "under 100%" if share < 1 and text == "100" else f"{text}%"
