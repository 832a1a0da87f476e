"""The table and the few plain sentences that say how a dial did."""

from __future__ import annotations

from dataclasses import dataclass
from math import hypot, sqrt

import numpy as np

from dialbench.compare import Comparison
from dialbench.dial import Dial
from dialbench.reading import LASTING_S, Reading
from dialbench.store import Losses

# The Sun's hour angle grows by 15 deg an hour.
S_PER_DEG = 240.0
# Fewer pairs than two lit intervals give (rising and falling, three thresholds) say
# nothing about what is common to all.
FEWEST_PAIRS = 12
# A common residual counts as found when it exceeds this many standard errors, and 2 s:
# a turn of 0.01 deg, less than anyone can set by hand.
CLEAR_SIGMAS = 3.0
LEAST_S = 2.0

# A robust standard deviation from the median distance to the median, and a median's
# standard error against a mean's, both for a normal distribution.
_SD_PER_MAD = 1.4826
_MEDIAN_PER_MEAN = 1.2533


@dataclass(frozen=True)
class Verdict:
    """rows: the table, (what, value); sentences: the verdict, in order.

    turn_deg: the turn wz about P's polar axis (see dialcore.frames) that the common
    residual amounts to, None where it is too small to tell; common_sigma_s: the standard
    error of the median residual, None where there are too few pairs.
    """

    rows: tuple[tuple[str, str], ...]
    sentences: tuple[str, ...]
    turn_deg: float | None
    common_sigma_s: float | None

    @property
    def text(self) -> str:
        return " ".join(self.sentences)


def verdict(
    dial: Dial,
    comparison: Comparison,
    reading: Reading,
    duty: float | None,
    losses: Losses | None,
    clock_sigma_s: float | None = None,
) -> Verdict:
    """Say how a dial did.

    duty: the share (0..1) of that time in which its layout, made without fault, shows the
    right face (as predict.duty counts); losses: None where the log does not say;
    clock_sigma_s: the standard uncertainty of the log's clock in
    seconds as its marks hold it. None where they are not known.
    """
    sigma_s = _common_sigma_s(dial, comparison)
    median = comparison.residual["median"]
    turn_deg = None
    if (
        sigma_s is not None
        and median is not None
        and abs(median) > max(CLEAR_SIGMAS * sigma_s, LEAST_S)
    ):
        # A positive turn makes crossings earlier in the north and later in the south.
        turn_deg = -dial.site.hemisphere * median / S_PER_DEG
    sentences = [f"{_crossings_told(comparison)}; {_losses_told(losses)}."]
    if comparison.observed_hours > 0:
        sentences += _pose_sentences(dial, comparison, sigma_s, turn_deg, clock_sigma_s)
        sentences += _reading_sentences(dial, reading, duty)
    return Verdict(
        rows=_rows(comparison, reading, duty, losses),
        sentences=tuple(sentences),
        turn_deg=turn_deg,
        common_sigma_s=sigma_s,
    )


def _common_sigma_s(dial: Dial, comparison: Comparison) -> float | None:
    """Standard error of the median residual in seconds, None from too few pairs.

    One bore's crossings share its making error, day after day: the independent values
    are at most its lit intervals (two crossings of each threshold), and no more than the
    bores.
    """
    residual_s = comparison.residual_s
    if len(residual_s) < FEWEST_PAIRS:
        return None
    spread = _SD_PER_MAD * float(np.median(abs(residual_s - np.median(residual_s))))
    matched = comparison.predicted.threshold[comparison.predicted_index]
    intervals = len(residual_s) / (2 * len(np.unique(matched)))
    return _MEDIAN_PER_MEAN * spread / sqrt(max(1, min(len(dial.bores), intervals)))


def _crossings_told(comparison: Comparison) -> str:
    count = comparison.counts
    due = count["matched"] + count["missed"]
    extra = (
        f"{_many(count['unexpected'], 'came', 'came')} unexpected"
        if count["unexpected"]
        else "none came unexpected"
    )
    if comparison.observed_hours <= 0:
        told = "The open-sky sensor saw no direct sun, so nothing can be said of the dial"
        if count["predicted"]:
            told += f": {_none_of(count['predicted'], 'predicted crossing')} could be observed"
        return f"{told}; {extra}"
    if not count["predicted"]:
        return f"No crossing was predicted for this time, and {extra}"
    if not due:
        return (
            f"In {comparison.observed_hours:.1f} h of direct sun "
            f"{_none_of(count['predicted'], 'predicted crossing')} was due; {extra}"
        )
    sentence = (
        f"{count['matched']} of the {_many(due, 'crossing')} due in "
        f"{comparison.observed_hours:.1f} h of direct sun came "
        f"({_percent(count['matched'] / due)}), {count['missed']} "
        f"{'was' if count['missed'] == 1 else 'were'} missed and {extra}"
    )
    if count["unobserved"]:
        sentence += f"; {count['unobserved']} more could not be observed"
    return sentence


def _pose_sentences(
    dial: Dial,
    comparison: Comparison,
    sigma_s: float | None,
    turn_deg: float | None,
    clock_sigma_s: float | None,
) -> list[str]:
    median = comparison.residual["median"]
    count = comparison.counts
    if median is None or sigma_s is None:
        told = "Too few crossings were matched to tell a turn of the body from making scatter"
        if count["missed"] + count["unexpected"] >= FEWEST_PAIRS:
            told += "; if the sensors work, look at the dial file, the site and the clock first"
        return [told + "."]
    size, early = _seconds(abs(median)), median < 0
    common = (
        f"Crossings come {size} {'early' if early else 'late'} in common "
        f"(standard error {_seconds(sigma_s)})"
    )
    if turn_deg is None:
        return [f"{common}: too little to call it a turn of the body or a clock error."]
    # The Sun goes from east to west, north and south alike: a body turned to the east
    # meets it early. Looking along the axis to the visible pole, east is on the right in
    # the north and on the left in the south.
    away, back = ("east", "west") if early else ("west", "east")
    north = dial.site.hemisphere > 0
    hand = "anticlockwise" if early == north else "clockwise"
    angle = f"{abs(turn_deg):.2f} deg"
    pose = (
        f"{common}, as if the body were turned {angle} about the polar axis, its noon side to "
        f"the {away} (away from the equinoxes an axis off in azimuth looks much the same): turn "
        f"the noon side {angle} back to the {back}, {hand} as seen looking along the axis to the "
        f"{'north' if north else 'south'} celestial pole."
    )
    clock = f"A log clock {size} {'slow' if early else 'fast'} would look the same too"
    if clock_sigma_s is None:
        clock += ", and how good its clock marks are is not known: check the clock first."
    elif abs(median) > CLEAR_SIGMAS * hypot(sigma_s, clock_sigma_s):
        clock += (
            f", but its marks hold it to {_seconds(clock_sigma_s)}: it is the body, unless the "
            "computer's own clock was wrong."
        )
    else:
        clock += f", and its marks hold it only to {_seconds(clock_sigma_s)}: mend that first."
    return [pose, clock]


def _reading_sentences(dial: Dial, reading: Reading, duty: float | None) -> list[str]:
    if reading.share_right is None:
        return ["None of the time plan fell in direct sun, so the dial's reading was not seen."]
    told = (
        f"In {reading.plan_hours:.1f} h of its time plan the dial showed exactly the right face "
        f"{_percent(reading.share_right)} of the time"
    )
    if duty is not None:
        told += f" (as drawn, its layout gives {_percent(duty)})"
    if reading.zone is None:
        return [told + "; it never showed a face that can be read."]
    worst, lasting = reading.zone.worst_min, reading.zone.worst_lasting_min
    if lasting is None:
        return [f"{told}; no face stood for {LASTING_S} s."]
    told += f"; its worst face that stood for {LASTING_S} s was {_off(lasting)}"
    if _off(worst) != _off(lasting):
        told += f" (a passing one {_off(worst)})"
    half = dial.plan.step_min / 2
    return [f"{told}, {_within(dial)} and half a step ({half:g} min) included."]


def _within(dial: Dial) -> str:
    """What a reading's error against zone time holds by design, besides the step's length."""
    sun = "the equation of time"
    if dial.plan.design_date is not None and dial.plan.kind != "apparent":
        sun += "'s change since the design date"
    return sun if dial.plan.kind == "zone" else f"{sun}, the longitude"


def _losses_told(losses: Losses | None) -> str:
    if losses is None:
        return "what the logger lost it does not say"
    found = [
        _many(number, *words)
        for number, words in (
            (losses.overflow_records, ("record lost to overflow", "records lost to overflow")),
            (losses.missing_pages, ("page not yet pulled", "pages not yet pulled")),
            (losses.retired_pages, ("page retired", "pages retired")),
            (losses.torn_pages, ("torn page", "torn pages")),
            (losses.unreadable_pages, ("page that cannot be read", "pages that cannot be read")),
        )
        if number
    ]
    told = f"the log has gaps ({', '.join(found)})" if found else "nothing logged was lost"
    if losses.blind_ms:
        told += f", and the scan was blind for {_seconds(losses.blind_ms / 1000)} in all"
    return told


def _rows(
    comparison: Comparison, reading: Reading, duty: float | None, losses: Losses | None
) -> tuple[tuple[str, str], ...]:
    count, residual, zone = comparison.counts, comparison.residual, reading.zone
    return (
        ("direct sun", f"{comparison.observed_hours:.2f} h"),
        ("crossings predicted", str(count["predicted"])),
        ("  matched", str(count["matched"])),
        ("  missed", str(count["missed"])),
        ("  unobserved", str(count["unobserved"])),
        ("crossings unexpected", str(count["unexpected"])),
        ("residual, median", _signed(residual["median"], "s")),
        ("residual, 95% within", _plain(residual["p95"])),
        ("  about the median", _plain(residual["scatter_p95"])),
        ("time plan in direct sun", f"{reading.plan_hours:.2f} h"),
        ("  right face", _share(reading.share_right)),
        ("  by its layout", _share(duty)),
        ("  another step's face", _share(reading.share_wrong)),
        ("  no face", _share(reading.share_blank)),
        ("worst error, zone time", _signed(zone.worst_lasting_min if zone else None, "min")),
        ("median error, zone time", _signed(zone.median_min if zone else None, "min")),
        *_loss_rows(losses),
    )


def _loss_rows(losses: Losses | None) -> tuple[tuple[str, str], ...]:
    if losses is None:
        return (("records lost", "no data"),)
    return (
        ("records lost", str(losses.overflow_records)),
        ("pages missing, retired", f"{losses.missing_pages}, {losses.retired_pages}"),
        ("pages torn, unreadable", f"{losses.torn_pages}, {losses.unreadable_pages}"),
        ("scan blind", _seconds(losses.blind_ms / 1000)),
    )


def _signed(value: float | None, unit: str) -> str:
    return "no data" if value is None else f"{value:+.1f} {unit}"


def _plain(value_s: float | None) -> str:
    return "no data" if value_s is None else _seconds(value_s)


def _share(share: float | None) -> str:
    return "no data" if share is None else _percent(share)


def _percent(share: float) -> str:
    """One decimal, never rounded up to a whole that is not."""
    return f"{min(100 * share, 99.9):.1f}%" if share < 1 else "100%"


def _seconds(size_s: float) -> str:
    if size_s >= 9.95:
        return f"{size_s:.0f} s"
    return f"{size_s:.1f} s" if size_s >= 0.095 else f"{size_s:.2f} s"


def _off(error_min: float) -> str:
    return f"{abs(error_min):.1f} min {'ahead of' if error_min > 0 else 'behind'} zone time"


def _many(number: int, one: str, more: str | None = None) -> str:
    return f"{number} {one if number == 1 else more or one + 's'}"


def _none_of(number: int, one: str) -> str:
    return f"not even the one {one}" if number == 1 else f"none of the {number} {one}s"
