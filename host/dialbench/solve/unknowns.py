"""What a solve looks for, and where each unknown stands among the others.

Common to all crossings: the body's pose (a rotation vector about P's axes), the clock's
offset and rate, the shares by which all bores and all exits came out wide, and how strong
stray light is. A channel's own: its sensor's gain and dark level and how wide its exit came
out, and of each of its bores where its axis points and how wide it came out.

A bore's width is the mean of its two ends': that tells at which angle the light is half gone.
What is common to all widths is common to their exits too. Beyond that an exit is the channel's,
one opening whatever bores lead to it: one that came out wider at the same widths of its bores
only shortens how long it stays all lit; that it takes in more light counts with the gain. So the three things that a ramp shows are three unknowns:
where it is, how steep it is, and where it ends.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from dialbench.dial import Dial

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

COMMON = ("wx", "wy", "wz", "offset", "rate", "width", "exit", "ghost")
WX, WY, WZ, OFFSET, RATE, ALL_WIDTHS, ALL_EXITS, GHOST = range(len(COMMON))
POSE = slice(WX, WZ + 1)

# Kinds of a channel's own unknowns; each kind has a scatter of its own.
KINDS = ("gain", "dark", "exit", "axis", "tilt", "width")
GAIN, DARK, EXIT, AXIS, TILT, WIDTH = range(len(KINDS))


@dataclass(frozen=True)
class Values:
    """One value for every unknown.

    common: as COMMON names them: radians (3), seconds, seconds per second, two shares, a
    factor less 1. own: one array a channel, in the order of Layout.kind: gain less 1, dark as a
    share of full light, axes in radians (hour angle, declination), widths as shares.
    """

    common: Floats
    own: tuple[Floats, ...]

    def moved(self, common: Floats, own: list[Floats]) -> Values:
        """These values with increments of the same shapes added."""
        pairs = zip(self.own, own, strict=True)
        return Values(self.common + common, tuple(a + b for a, b in pairs))


class Layout:
    """Where a dial's own unknowns stand: a block a channel.

    bores: indices into dial.bores of each channel's bores, in the order of their hour
    angles. kind: what each unknown of a block is; bore: of which bore (an index into
    dial.bores), -1 for what is of the channel as a whole.
    """

    def __init__(self, dial: Dial) -> None:
        self.dial = dial
        self.bores: list[list[int]] = [[] for _ in dial.channels]
        for number in sorted(range(len(dial.bores)), key=lambda n: dial.bores[n].hour_angle_deg):
            self.bores[dial.bores[number].channel].append(number)
        self.kind: list[Ints] = []
        self.bore: list[Ints] = []
        self.column = np.full((len(KINDS), len(dial.bores)), -1)
        for numbers in self.bores:
            kind, bore = [GAIN, DARK, EXIT], [-1, -1, -1]
            for number in numbers:
                kinds = (AXIS, WIDTH) if dial.bores[number].shape == "slot" else (AXIS, TILT, WIDTH)
                for of in kinds:
                    self.column[of, number] = len(kind)
                    kind.append(of)
                    bore.append(number)
            self.kind.append(np.array(kind))
            self.bore.append(np.array(bore))

    def zeros(self) -> Values:
        """The dial as drawn, placed as meant, with a perfect clock."""
        return Values(np.zeros(len(COMMON)), tuple(np.zeros(len(kind)) for kind in self.kind))

    def of_kind(self, kind: int, own: tuple[Floats, ...]) -> Floats:
        """All values of one kind, channel by channel."""
        parts = [block[of == kind] for block, of in zip(own, self.kind, strict=True)]
        return np.concatenate(parts) if parts else np.zeros(0)

    def by_bore(self, kind: int, values: Values) -> Floats:
        """Values of one kind in the order of dial.bores; 0 where a bore has no such unknown."""
        found = np.zeros(len(self.dial.bores))
        for block, of, bore in zip(values.own, self.kind, self.bore, strict=True):
            here = of == kind
            found[bore[here]] = block[here]
        return found

    def sensors(self, values: Values) -> tuple[Floats, Floats]:
        """(gain less 1, dark) of every channel."""
        own = values.own
        return (np.array([block[GAIN] for block in own]), np.array([block[DARK] for block in own]))

    def made(self, values: Values) -> Dial:
        """The dial as it came out: every bore where these values have it."""
        axis = np.degrees(self.by_bore(AXIS, values))
        tilt = np.degrees(self.by_bore(TILT, values))
        width = 1 + values.common[ALL_WIDTHS] + self.by_bore(WIDTH, values)
        exits = self.exits(values)
        bores = []
        for n, bore in enumerate(self.dial.bores):
            exit_mm = bore.exit_mm * float(exits[bore.channel])
            both_mm = (bore.exit_mm + bore.entry_mm) * float(width[n])
            bores.append(
                replace(
                    bore,
                    hour_angle_deg=bore.hour_angle_deg + float(axis[n]),
                    declination_deg=bore.declination_deg + float(tilt[n]),
                    exit_mm=exit_mm,
                    entry_mm=both_mm - exit_mm,
                )
            )
        return replace(self.dial, bores=tuple(bores))

    def exits(self, values: Values) -> Floats:
        """The factor on each channel's exit."""
        common = values.common[ALL_WIDTHS] + values.common[ALL_EXITS]
        return 1 + np.array([common + block[EXIT] for block in values.own])

    def entries(self, values: Values) -> Floats:
        """By which share of what is drawn each bore's entry came out wide."""
        pairs = zip(self.made(values).bores, self.dial.bores, strict=True)
        return np.array([made.entry_mm / drawn.entry_mm - 1 for made, drawn in pairs])
