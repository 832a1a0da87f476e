"""From what was measured of a board to the faults it has, each with its mend. Pure.

Select lines are found by the taps: every fault that a line can have says which tap shows
where. Taps lie 3855 counts apart and a reading counts as a tap within a third of that, while
the noise of a mean is some ten counts and a converter's offset some hundred.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import combinations
from statistics import median

from dialbench.selftest.figures import LOOKS, Figures
from dialcore import examining, wiring

_TAP_COUNTS = 65535 / wiring.LADDER_RESISTORS / 3
_STRAIGHT_COUNTS = 250  # of a tap, the offset taken off: resistors of 1 % stay within it
_NOISE_COUNTS = 128  # of one reading; a quiet board has some sixteen
_LEAST_DARK = 60  # counts of the channels' median, below which a dead one looks like the rest
_DEAD_SHARE = 0.25  # of that median
_SURE = 8  # standard deviations of a mean, so that no dark channel is called dead by its noise
_TOP = 65000
_FOLLOWS = 0.5  # of the difference between two taps: what a broken common shows of it
_DAY_S = 86400
_DRIFT_PPM = 100  # of chip against board, by far more than two crystals part
_TICK_SIGMA_MS = 1.5
_LEAST_TICKS = 3

_LINES = ("A0", "A1", "A2", "A3", "B0", "B1", "B2", "B3")


@dataclass(frozen=True)
class Fault:
    """kind is for programs; where: what is broken, by the names of the wiring; sentence: what
    it is and how to mend it."""

    kind: str
    where: tuple[str, ...]
    sentence: str


def faults(figures: Figures) -> list[Fault]:
    """What is wrong with a board; nothing for a sound one."""
    found = [*_parts(figures)]
    line = _select_lines(figures)
    if line is not None:
        # Behind it no channel is the one it is called.
        return [line, *found]
    broken = [*_commons(figures)]
    return [*broken, *_light(figures, {fault.where[0] for fault in broken}), *found]


# -- select lines

_Seen = Callable[[int], int]  # from the lines as set, A0 lowest, to the lines as they are


def _bit(lines: int, k: int) -> int:
    return lines >> k & 1


def _set(lines: int, k: int, level: int) -> int:
    return lines & ~(1 << k) | level << k


def _hypotheses() -> Iterator[tuple[Fault | None, _Seen]]:
    yield None, lambda lines: lines
    for k, name in enumerate(_LINES):
        pin = wiring.pin(wiring.PICO, name)
        for level, word in ((0, "low"), (1, "high")):
            yield (
                Fault(
                    f"stuck_{word}",
                    (name,),
                    f"select line {name} is stuck {word}: check GP{pin} of a Pico, its wire, and"
                    f" that it touches no {'ground' if level == 0 else '3V3'}",
                ),
                lambda lines, k=k, level=level: _set(lines, k, level),  # type: ignore[misc]
            )
    for (i, one), (j, other) in combinations(enumerate(_LINES), 2):
        pins = " and ".join(f"GP{wiring.pin(wiring.PICO, name)}" for name in (one, other))
        yield (
            Fault(
                "swapped",
                (one, other),
                f"select lines {one} and {other} are swapped: exchange the wires at {pins} of a"
                " Pico",
            ),
            lambda lines, i=i, j=j: _set(_set(lines, i, _bit(lines, j)), j, _bit(lines, i)),  # type: ignore[misc]
        )
        shorted = Fault(
            "shorted",
            (one, other),
            f"select lines {one} and {other} touch: look for a bridge of solder between {pins} of"
            " a Pico and along both wires",
        )
        for both in (int.__and__, int.__or__):

            def seen(lines: int, i: int = i, j: int = j, both: object = both) -> int:
                level = both(_bit(lines, i), _bit(lines, j))  # type: ignore[operator]
                return _set(_set(lines, i, level), j, level)

            yield shorted, seen


def _select_lines(figures: Figures) -> Fault | None:
    # Noise widens what counts as a tap, up to half-way to the next.
    wide = _SURE * noise_counts(figures) / math.sqrt(LOOKS)
    bound = min(max(_TAP_COUNTS, wide), 1.5 * _TAP_COUNTS)
    best: tuple[tuple[int, int], Fault | None] | None = None
    for fault, seen in _hypotheses():
        known = _agreeing(figures, seen, bound)
        if known is not None and (best is None or known > best[0]):
            best = known, fault
    if best is not None:
        return best[1]
    if _follows(figures, wiring.LADDER_LEAF):
        return None  # it is told by its common
    return Fault(
        "ladder",
        ("ladder",),
        "the ladder shows the taps of no single fault: check its resistors and their order, its"
        " supply and ground, EN at GP10, then the select lines one by one",
    )


def _agreeing(figures: Figures, seen: _Seen, bound: float) -> tuple[int, int] | None:
    """At how many places a tap is where the hypothesis wants it, to bound counts, and how many
    more are the same place under two names, as it wants; None where one is not."""
    known = same = 0
    alike: dict[int, int] = {}
    for (root, leaf), look in figures.places.items():
        lines = seen(root << 4 | leaf)
        tap = wiring.ladder_tap(lines >> 4, lines & 15)
        if tap:
            if abs(look.mean - wiring.tap_counts(tap)) > bound:
                return None
            known += 1
        elif lines >> 4 < figures.leaves:
            # One place, however it is called, shows one level; light may change meanwhile.
            same += lines in alike
            first = alike.setdefault(lines, look.mean)
            if abs(look.mean - first) > bound + 0.1 * first:
                return None
    return known, same


# -- commons, channels, references


def _follows(figures: Figures, root: int) -> bool:
    low, high = figures.drawn[root]
    taps = wiring.ROOT_TAPS[-1] - wiring.ROOT_TAPS[0]
    return high - low > _FOLLOWS * wiring.tap_counts(taps)


def _commons(figures: Figures) -> Iterator[Fault]:
    for root in figures.drawn:
        if _follows(figures, root):
            name = "ladder" if root == wiring.LADDER_LEAF else f"leaf {root}"
            yield Fault(
                "broken_common",
                (name,),
                f"the common of {name} does not reach the root: check the wire from its pin"
                f" {wiring.MUX_COMMON} to pin {wiring.MUX_INPUTS[root]} of the root, its supply"
                " and its EN",
            )


def offset_counts(figures: Figures) -> float:
    """By how much the converter shows more than there is, as the root's own taps say."""
    return median(
        figures.places[root, leaf].mean - wiring.tap_counts(wiring.ladder_tap(root, leaf))
        for root in range(wiring.FIRST_TAP, wiring.INPUTS)
        for leaf in range(wiring.INPUTS)
    )


def noise_counts(figures: Figures) -> float:
    """The standard deviation of one reading, as the root's own taps show it."""
    return median(
        figures.places[root, leaf].spread
        for root in range(wiring.FIRST_TAP, wiring.INPUTS)
        for leaf in range(wiring.INPUTS)
    )


def _light(figures: Figures, broken: set[str]) -> Iterator[Fault]:
    offset = offset_counts(figures)
    noise = noise_counts(figures)
    if noise > _NOISE_COUNTS:
        yield Fault(
            "noise",
            ("LIGHT",),
            f"readings of a fixed tap spread by {noise:.0f} counts: keep mains and long wires away,"
            " shield the dial's cable, check AGND and the capacitor at the reference",
        )
    elif "ladder" not in broken:
        for leaf in range(wiring.INPUTS):
            tap = wiring.LADDER_TAPS[leaf]
            away = figures.places[wiring.LADDER_LEAF, leaf].mean - wiring.tap_counts(tap) - offset
            if abs(away) > _STRAIGHT_COUNTS:
                yield Fault(
                    "reference",
                    (f"tap {tap}",),
                    f"tap {tap} of the ladder is {away:.0f} counts off: check the resistors beside"
                    " it, the reference and AGND",
                )
                break
        if figures.before[0].settle_us >= 400:
            yield Fault(
                "slow",
                ("LIGHT",),
                "the line to the converter does not come to rest within 400 us: shorten it, and"
                " check for a capacitor that does not belong at the root's common",
            )
    channels = [
        channel
        for channel in range(figures.hello.channels)
        if f"leaf {wiring.leaf_of(channel)}" not in broken
    ]
    looks = {
        channel: figures.places[wiring.leaf_of(channel), wiring.input_of(channel)]
        for channel in channels
    }
    if not looks:
        return
    usual = median(look.mean for look in looks.values()) - offset
    for channel, look in looks.items():
        place = f"leaf {wiring.leaf_of(channel)}, input {wiring.input_of(channel)}"
        if look.least >= _TOP:
            yield Fault(
                "saturated",
                (f"channel {channel}",),
                f"channel {channel} ({place}) is at the top of the converter's range: check its"
                " load resistor, and that it touches no 3V3",
            )
        elif (
            usual > _LEAST_DARK + _SURE * noise / math.sqrt(LOOKS)
            and look.mean - offset < _DEAD_SHARE * usual
        ):
            yield Fault(
                "dead",
                (f"channel {channel}",),
                f"channel {channel} ({place}) shows nothing where others show {usual:.0f} counts:"
                " check its sensor, which way round it sits, and its wire",
            )
        elif noise <= _NOISE_COUNTS < look.spread / 4:
            yield Fault(
                "noisy_channel",
                (f"channel {channel}",),
                f"channel {channel} ({place}) spreads by {look.spread:.0f} counts: check its joints"
                " and whether its light flickers",
            )


# -- clock chip, storage, supply


def drift_ppm(figures: Figures) -> tuple[float, float] | None:
    """How much faster the clock chip's ticks come than the board's seconds pass, and the
    standard deviation of that; None without ticks."""
    first, last = figures.before[0], figures.after[0]
    ticks = (last.ticks - first.ticks) % (1 << 30)
    span_ms = (last.tick_ms - first.tick_ms) % (1 << 30)
    if not last.flags & examining.TICK_WANTED or ticks < _LEAST_TICKS or not span_ms:
        return None
    return 1e6 * (1000 * ticks / span_ms - 1), 1e6 * _TICK_SIGMA_MS / span_ms


def _parts(figures: Figures) -> Iterator[Fault]:
    check, status = figures.after
    if figures.hello.trouble:
        storage = "storage" in figures.hello.trouble
        yield Fault(
            "storage" if storage else "configuration",
            ("NOR" if storage else "config.json",),
            f"the board does not log: {figures.hello.trouble}"
            + ("; check its flash chip, GP16 to GP19 of a Pico, and its 3V3" if storage else ""),
        )
    elif check.bad_writes or status.torn_pages > 1:
        yield Fault(
            "storage",
            ("NOR",),
            f"{check.bad_writes} writes of the storage failed, {status.torn_pages} pages are torn:"
            " check the supply, then replace the flash chip",
        )
    if check.flags & examining.WEAK_SUPPLY:
        yield Fault(
            "supply",
            ("SUPPLY",),
            f"the supply is weak ({check.supply_mv} mV) and nothing is stored: charge or replace"
            " the cell, check the wires' joints",
        )
    yield from _chip(figures)


def _chip(figures: Figures) -> Iterator[Fault]:
    check = figures.after[0]
    if check.chip == examining.CHIP_MISSING:
        yield Fault(
            "rtc_missing",
            ("I2C",),
            "the clock chip does not answer: check its 3V3, SDA at GP20 and SCL at GP21 of a Pico,"
            " or take rtc out of config.json",
        )
        return
    if check.chip == examining.NO_CHIP:
        return
    away_s = abs(check.chip_s - figures.utc_s)
    if check.chip != examining.CHIP_WELL or away_s > _DAY_S:
        yield Fault(
            "rtc_stopped",
            ("RTC",),
            "the clock chip has stood still or was never set: check its cell, then set it",
        )
        return
    if not check.flags & examining.TICK_WANTED:
        return
    device_ms = figures.after[1].device_ms - figures.before[1].device_ms
    told = drift_ppm(figures)
    if told is None:
        if device_ms > 1000 * (_LEAST_TICKS + 2):
            yield Fault(
                "no_tick",
                ("TICK",),
                "no tick of 1 Hz comes: check the wire from SQW to GP22 of a Pico and its pull-up",
            )
        return
    ppm, sigma = told
    if abs(ppm) > _DRIFT_PPM + 4 * sigma:
        yield Fault(
            "rtc_drift",
            ("RTC",),
            f"clock chip and board drift apart by {ppm:.0f} ppm: one of the two is no good clock;"
            " replace the chip if its times drift from UTC (dialbench clock)",
        )
