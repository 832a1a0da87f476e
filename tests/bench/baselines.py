"""How the same crossings are found without Dialbench: by Skyfield, as well as that goes.

Both take the Sun from Skyfield's public interface, refraction from Bennett's formula, and
the lit fraction of a slot from the formula that the board has too.

- `Grid`: the Sun at every minute of daylight, shared by all slots; all slots against all
  minutes as one matrix product, in pieces that stay in the processor's cache; lit
  fractions of those pairs only that are within a slot's reach, where it is not lit in
  full; between minutes of which one is above a threshold, a straight line.
- `search`: Skyfield's own search for the instants at which a function of time changes,
  one slot and threshold at a time.
"""

import math
from functools import cached_property

import numpy as np
from skyfield import api, searchlib

from dialbench import de421
from dialbench.air import refracted_deg
from dialbench.sky import mean_semidiameter_deg
from dialcore import bores, disc, frames

MINUTE_US = 60_000_000
_DAY_MIN = 1440
_TOGETHER = 40  # slots: with a day's minutes they fill half of a small second-level cache
_SEMIDIAMETER = math.radians(959.63 / 3600)
_LARGEST = math.radians(0.272)  # the Sun's semi-diameter
_STEEP = math.radians(0.26)  # more than the Sun moves in a minute


class Slots:
    """A dial's slots, one a channel, as arrays; axes in P, shape (n, 3)."""

    def __init__(self, dial):
        listed = sorted(dial.bores, key=lambda bore: bore.channel)
        assert [bore.channel for bore in listed] == list(range(len(listed)))
        assert {(b.shape, b.declination_deg) for b in listed} == {("slot", 0.0)}
        self.exit = np.array([bore.exit_mm for bore in listed])
        self.entry = np.array([bore.entry_mm for bore in listed])
        self.length = np.array([bore.length_mm for bore in listed])
        self.opening = np.radians([bore.opening_deg for bore in listed])
        hour_angle = np.radians([bore.hour_angle_deg for bore in listed])
        along, across, _ = bores.axes(hour_angle, 0.0 * hour_angle, dial.site.hemisphere, np)
        self.along, self.across = (
            np.stack(np.broadcast_arrays(*vector), axis=-1) for vector in (along, across)
        )
        self.shut = (self.exit + self.entry) / 2 / self.length
        self.full = np.abs(self.entry - self.exit) / 2 / self.length


class Observer:
    """The Sun over a site, by Skyfield."""

    def __init__(self, site):
        self.site = site
        kernel = de421.source().kernel
        place = api.wgs84.latlon(
            site.latitude_deg, site.longitude_deg, elevation_m=site.elevation_m
        )
        self._place, self._sun = kernel["earth"] + place, kernel["sun"]
        self._to_polar = frames.polar_from_enu(math.radians(site.latitude_deg), np)

    def sun(self, time):
        """Unit vectors in P, shape (3, n), semi-diameter and whether the Sun is up, (n,)."""
        altitude, azimuth, distance = self._place.at(time).observe(self._sun).apparent().altaz()
        air = self.site.pressure_mbar, self.site.temperature_C
        high = np.radians(refracted_deg(altitude.degrees, *air))
        level = np.cos(high)
        enu = (level * np.sin(azimuth.radians), level * np.cos(azimuth.radians), np.sin(high))
        size = _SEMIDIAMETER / distance.au
        return np.stack(frames.apply(self._to_polar, enu)), size, high + size > 0


class Grid:
    """Crossings of all of a dial's slots from a shared grid of minutes, day by day."""

    def __init__(self, dial, thresholds):
        self.slots, self.levels = Slots(dial), thresholds
        self.observer = Observer(dial.site)
        # Within reach: |s.u| < steep * s.a, with room for the disc and for a minute.
        self.steep = np.tan(np.arctan(self.slots.shut) + (_LARGEST + _STEEP) * 1.1)

    def minutes(self, noon_utc):
        """The minutes of daylight about a noon, with some to spare, as Skyfield's Time."""
        site = self.observer.site
        year = 2 * math.pi * (noon_utc.timetuple().tm_yday + 9) / 365.25
        tangent = math.tan(math.radians(-23.44 * math.cos(year)))
        half = math.acos(-math.tan(math.radians(site.latitude_deg)) * tangent)
        noon_min = 720 - 4 * site.longitude_deg  # the equation of time is within the 30
        reach = math.ceil(half * _DAY_MIN / (2 * math.pi)) + 30
        minute = np.arange(-reach, reach + 1) + round(noon_min)
        day = noon_utc.year, noon_utc.month, noon_utc.day
        return minute, de421.source().timescale.utc(*day, 0, minute)

    def day(self, date):
        """(channel, threshold, rise, minute after 0 h UTC of the date) of a day's crossings."""
        minute, time = self.minutes(date)
        sun, size, up = self.observer.sun(time)
        some = slice(*(np.flatnonzero(up)[[0, -1]] + [0, 1]))
        slot, at = self._within_reach(sun[:, some])
        at += some.start
        lit = self._lit(slot, at, sun, size)
        same = slot[1:] == slot[:-1]
        found = []
        for threshold, level in enumerate(self.levels):
            above = lit >= level
            change = np.flatnonzero((above[1:] != above[:-1]) & same)
            share = (level - lit[change]) / (lit[change + 1] - lit[change])
            kind = np.full(len(change), threshold)
            found.append((slot[change], kind, above[change + 1], minute[at[change]] + share))
        return [np.concatenate(column) for column in zip(*found, strict=True)]

    @cached_property
    def _room(self):
        return np.empty((2, _TOGETHER, _DAY_MIN)), np.empty((_TOGETHER, _DAY_MIN), bool)

    def _within_reach(self, sun):
        """(slot, minute) of the pairs within reach, sorted."""
        slots, count = self.slots, sun.shape[1]
        found = []
        for first in range(0, len(slots.exit), _TOGETHER):
            part = slice(first, first + _TOGETHER)
            size = len(slots.exit[part])
            numbers, near = self._room[0][:, :size, :count], self._room[1][:size, :count]
            across = np.matmul(slots.across[part], sun, out=numbers[0])
            along = np.matmul(slots.along[part], sun, out=numbers[1])
            along *= self.steep[part, None]
            np.less(np.abs(across, out=across), along, out=near)
            slot, at = np.nonzero(near)
            found.append((slot + first, at))
        return (np.concatenate(column) for column in zip(*found, strict=True))

    def _lit(self, slot, at, sun, size):
        slots = self.slots
        direction, size = sun.T[at], size[at]
        along = np.einsum("ij,ij->i", slots.along[slot], direction)
        across = np.einsum("ij,ij->i", slots.across[slot], direction)
        slope, radius = disc.seen(along, across, size)
        lit = np.ones(len(slot))
        part = np.flatnonzero(np.abs(slope) + 1.01 * radius > slots.full[slot])
        own = slot[part]
        sizes = slots.exit[own], slots.entry[own], slots.length[own]
        lit[part] = bores.slit_lit(slope[part], radius[part], *sizes, np)
        rise, radius = disc.seen(along, direction[:, 2], size)
        assert (np.abs(rise) + 1.2 * radius < math.tan(slots.opening.min() / 2)).all()
        return lit


def search(dial, channel, level, first, days):
    """Microseconds of UTC at which one channel passes a threshold.

    first: the first day's date. Steps are half of what the slot is lit for at the least.
    """
    slots = Slots(dial)
    observer = Observer(dial.site)
    bore = [of[channel] for of in (slots.exit, slots.entry, slots.length, slots.opening)]
    along, across = slots.along[channel], slots.across[channel]

    def lit(time):
        sun, size, up = observer.sun(time)
        place = along @ sun, across @ sun, sun[2]
        return (bores.slot_lit(*place, size, *bore, np) >= level) & up

    lit.step_days = _lit_days(slots, channel, level) / 2
    timescale = de421.source().timescale
    begin = timescale.utc(first.year, first.month, first.day)
    end = timescale.utc(first.year, first.month, first.day + days)
    found, _ = searchlib.find_discrete(begin, end, lit)
    return np.array([moment.timestamp() for moment in found.utc_datetime()]) * 1e6


def _lit_days(slots, channel, level):
    """For how long a slot is lit to a threshold at least: with the Sun on the equator."""
    slope = np.linspace(0, slots.shut[channel] + _LARGEST, 2000)
    size = math.radians(mean_semidiameter_deg(23.44))
    sizes = slots.exit[channel], slots.entry[channel], slots.length[channel]
    lit = bores.slit_lit(slope, size + 0 * slope, *sizes, np)
    return 2 * math.atan(slope[lit >= level].max()) / (2 * math.pi)
