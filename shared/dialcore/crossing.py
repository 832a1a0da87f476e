"""From sensor counts to crossings: the state machine the board runs at every scan.

Two reference sensors tell direct sun from bright sky: the open-sky sensor sees
direct + diffuse, the shaded one a known share of the diffuse alone. Their
difference is the direct beam; it opens and closes the gate of observed time, and a
channel's *level* is its own light as a share of it, 1024 for a fully lit exit.

A crossing of a threshold is taken from a band around it. Its time is the middle
between the last scan on the near side of the band and the first on the far side:
noise brings the one as much too late as the other too early, and neither the band's
width nor the scan period biases it.

A scan allocates nothing: all arithmetic stays in integers below 2**30.
"""

from array import array

from dialcore.compat import Any, const

THRESHOLDS = (0.25, 0.50, 0.75)
ALL = const(7)  # sets of thresholds, bit k for the one numbered k
LEAN = const(2)  # lit fraction 0.50 alone
FULL = const(1024)  # level of a fully lit exit
BAND = const(31)  # half the width of the band about a threshold, as a level
SKY = const(0)  # places in a scan's counts
SHADE = const(1)
FIRST = const(2)

_BANDS = const(3)
_GUESSED = const(8)  # state bits 0..2: above that threshold; 3..5: that is a guess


class Calibration:
    """What the board was told about its sensors; counts as the ADC gives them, 0..65535.

    dark: one a channel. scale: one a channel, the open-sky sensor's gain over its own in
    1/1024 (at most 8191). shade_q10: diffuse counts of the open-sky sensor per count of
    the shaded one, in 1/1024. gate_on, gate_off: counts of direct light at which observed
    time begins and ends.
    """

    def __init__(
        self,
        dark: Any,
        scale: Any,
        sky_dark: int,
        shade_dark: int,
        shade_q10: int,
        gate_on: int,
        gate_off: int,
    ) -> None:
        if len(dark) != len(scale):
            raise ValueError("dark and scale differ in length")
        if not 1 <= len(dark) <= 128:
            raise ValueError("%d channels, 1 to 128 can be served" % len(dark))
        for value in scale:
            if not 1 <= value <= 8191:
                raise ValueError("scale %d, 1 to 8191 is possible" % value)
        for value in dark:
            if not 0 <= value <= 65535:
                raise ValueError("dark %d, 0 to 65535 is possible" % value)
        if not 0 < gate_off <= gate_on <= 65535:
            raise ValueError("gate needs 0 < gate_off <= gate_on <= 65535")
        if not 0 <= shade_q10 <= 8191:
            raise ValueError("shade_q10 %d, 0 to 8191 is possible" % shade_q10)
        self.dark = array("H", dark)
        self.scale = array("H", scale)
        self.sky_dark = sky_dark
        self.shade_dark = shade_dark
        self.shade_q10 = shade_q10
        self.gate_on = gate_on
        self.gate_off = gate_off


class Crossings:
    """Watches all channels of one dial.

    sink(channel, threshold, rise, offset_ms) is called for every crossing of a threshold
    0..2 whose bit in `told` is set; levels() knows them all. Times are milliseconds from
    an epoch of the caller's, below 2**29.
    """

    def __init__(self, calibration: Any, sink: Any, told: int = ALL, band: int = BAND) -> None:
        n = len(calibration.dark)
        self._calibration = calibration
        self._sink = sink
        self._told = told
        edges = []
        for fraction in THRESHOLDS:
            middle = int(FULL * fraction)
            edges.append(middle - band)
            edges.append(middle + band)
        # Zone z of a level: how many edges it has reached. Odd zones are the bands.
        self._bounds = array("i", [-(2**29)] + edges + [2**29])
        self._zone = bytearray(n)
        self._state = bytearray(n)
        self._mark = array("i", [0] * (n * _BANDS))
        self._before = 0
        self.channels = n
        self.gate = 0
        self.gate_moved = False  # since the caller last cleared it
        self.direct = 0

    def rebase(self, shift_ms: int) -> None:
        """The caller's epoch moved later by shift_ms."""
        self._before -= shift_ms
        for i in range(len(self._mark)):
            # Marks of long ago are never used again; they only must not run away.
            self._mark[i] = max(self._mark[i] - shift_ms, -(2**28))

    def scan(self, counts: Any, now: int) -> None:
        """Take one scan: counts as [open-sky, shaded, channel 0, 1, ...]."""
        cal = self._calibration
        direct = counts[SKY] - cal.sky_dark
        direct -= (counts[SHADE] - cal.shade_dark) * cal.shade_q10 >> 10
        self.direct = direct
        if self.gate:
            if direct < cal.gate_off:
                self.gate = 0
                self.gate_moved = True
                return
        elif direct < cal.gate_on:
            return
        dark = cal.dark
        scale = cal.scale
        if not self.gate:
            self.gate = 1
            self.gate_moved = True
            for c in range(self.channels):
                self._begin(c, (counts[c + FIRST] - dark[c]) * scale[c] // direct, now)
            self._before = now
            return
        zone = self._zone
        bounds = self._bounds
        for c in range(self.channels):
            level = (counts[c + FIRST] - dark[c]) * scale[c] // direct
            z = zone[c]
            if level < bounds[z] or level >= bounds[z + 1]:
                self._move(c, level, now)
        self._before = now

    def levels(self, out: Any) -> None:
        """Write two bits a channel into out, lowest first: thresholds it is above, 0..3."""
        for i in range(len(out)):
            out[i] = 0
        for c in range(self.channels):
            s = self._state[c]
            above = (s & 1) + (s >> 1 & 1) + (s >> 2 & 1)
            out[c >> 2] |= above << ((c & 3) << 1)

    def _zone_of(self, level: int) -> int:
        z = 0
        while level >= self._bounds[z + 1]:
            z += 1
        return z

    def _begin(self, c: int, level: int, now: int) -> None:
        """First sight of a channel: inside a band its state is a guess, until it leaves."""
        z = self._zone_of(level)
        self._zone[c] = z
        state = 0
        for k in range(_BANDS):
            if z > 2 * k + 1:
                state |= 1 << k
            elif z == 2 * k + 1:
                state |= _GUESSED << k
                self._mark[c * _BANDS + k] = now
                if 2 * level >= self._bounds[z] + self._bounds[z + 1]:
                    state |= 1 << k
        self._state[c] = state

    def _move(self, c: int, level: int, now: int) -> None:
        old = self._zone[c]
        new = self._zone_of(level)
        self._zone[c] = new
        for k in range(_BANDS):
            band = 2 * k + 1
            at = c * _BANDS + k
            if (old < band <= new) or (old > band >= new):
                self._mark[at] = self._before
            if new > band:
                rise = 1
            elif new < band:
                rise = 0
            else:
                continue
            bit = 1 << k
            state = self._state[c]
            state &= ~(_GUESSED << k)
            # A guess that proves wrong is a crossing too: what was told of the channel
            # as the gate opened must not stay so.
            if rise != (state >> k & 1):
                state ^= bit
                if self._told & bit:
                    self._sink(c, k, rise, (self._mark[at] + now) // 2)
            self._state[c] = state
