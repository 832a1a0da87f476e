"""Whether the Sun is surely down, as the board itself reckons.

Only a board that was told its site and has heard what time it is knows of a night. Direct
light while it takes it for night says that one of them is wrong: until it starts anew it
then knows of none.
"""

import math

from dialcore import sun
from dialcore.compat import const

_EVERY_MS = const(60000)
_SOON_MS = const(1000)  # while it is not known what time it is
# Light comes from a Sun 0.9 deg below a level horizon, by refraction and the disc's half, and
# from 1.8 deg lower still over the dip of one seen from 3 km up (from memory).
_DOWN = -0.0524  # radians, 3 deg
_UNIT = 1.7453293e-06  # radians in 1e-4 deg


class Night:
    """latitude_e4 and longitude_e4 in 1e-4 deg, positive north and east."""

    def __init__(self, clock, latitude_e4, longitude_e4):
        self._clock = clock
        self._latitude = latitude_e4 * _UNIT
        self._longitude = longitude_e4 * _UNIT
        self._due = clock.offset_ms
        self._dark = False
        self.doubted = False

    def rebase(self, shift_ms):
        """The clock's epoch moved later by shift_ms."""
        self._due -= shift_ms

    def dark(self, gate):
        """Whether it is night; gate: whether there is direct light all the same. Reckons
        once a minute, and else allocates nothing."""
        now = self._clock.offset_ms
        if now >= self._due:
            utc_s = self._clock.utc_s()
            self._due = now + (_EVERY_MS if utc_s >= 0 else _SOON_MS)
            self._dark = utc_s >= 0 and not self.doubted and self._down(utc_s)
        if gate and self._dark:
            self.doubted = True
            self._dark = False
        return self._dark

    def _down(self, utc_s):
        hour_angle, declination = sun.sun(utc_s, 0, math)
        hour_angle += self._longitude
        return sun.altitude_azimuth(hour_angle, declination, self._latitude, math)[0] < _DOWN
