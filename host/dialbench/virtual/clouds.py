"""The sky's light through a day: clear, with invented clouds, or as it was measured."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from dialbench.errors import UserError, inert

Floats = NDArray[np.float64]
Micros = NDArray[np.int64]

_MINUTE_US = 60_000_000


class SkyLight(Protocol):
    """Where a sky's light comes from."""

    def irradiance(self, utc_us: Micros, altitude_deg: Floats) -> tuple[Floats, Floats]:
        """The direct beam (on a surface facing the Sun) and the diffuse light, W/m^2.

        utc_us and altitude_deg (the Sun's) have shape (n,), and so have both answers.
        """
        ...


@dataclass(frozen=True)
class Clear:
    """A clear sky at moderate height; nothing below the horizon.

    Direct beam 1353 x 0.7^(air mass^0.678) after Meinel and Meinel (Applied Solar
    Energy, 1976), air mass after Kasten and Young (Applied Optics 28, 1989), diffuse
    light a tenth of the beam, as is common practice; all figures from memory.
    """

    def irradiance(self, utc_us: Micros, altitude_deg: Floats) -> tuple[Floats, Floats]:
        up = np.maximum(altitude_deg, 0.0)
        air_mass = 1 / (np.sin(np.radians(up)) + 0.50572 * (up + 6.07995) ** -1.6364)
        direct = 1353.0 * 0.7 ** (air_mass**0.678) * (altitude_deg > 0)
        return direct, 0.1 * direct


@dataclass(frozen=True)
class Invented:
    """A clear sky with clouds drifting over, the same for the same seed, at any instant.

    Cover is smooth noise on three scales of time; where it rises past a level, clouds
    fade in over a minute or so, dim the beam to nothing and brighten the sky.
    """

    seed: int

    _PERIODS_S = (2400, 780, 240)
    _SHARES = (0.55, 0.30, 0.15)
    _CLOUD_FROM = 0.53
    _CLOUD_FULL = 0.58

    def irradiance(self, utc_us: Micros, altitude_deg: Floats) -> tuple[Floats, Floats]:
        direct, diffuse = Clear().irradiance(utc_us, altitude_deg)
        cloud = self.cover(utc_us)
        return direct * (1 - cloud), diffuse * (1 + 1.5 * cloud)

    def cover(self, utc_us: Micros) -> Floats:
        """How far a cloud hides the Sun, 0..1, shape (n,)."""
        noise = np.zeros(utc_us.shape)
        for octave, (period_s, share) in enumerate(zip(self._PERIODS_S, self._SHARES, strict=True)):
            cell, inside = np.divmod(utc_us, period_s * 1_000_000)
            at = _smooth(inside / (period_s * 1e6))
            noise += share * (
                (1 - at) * self._lattice(octave, cell) + at * self._lattice(octave, cell + 1)
            )
        return _smooth((noise - self._CLOUD_FROM) / (self._CLOUD_FULL - self._CLOUD_FROM))

    def _lattice(self, octave: int, cell: Micros) -> Floats:
        """A number 0..1 for every cell: its index, mixed through and through."""
        # Steele, Lea and Flood, Fast splittable pseudorandom number generators, 2014.
        x = cell.astype(np.uint64) + np.uint64(
            (self.seed * 3 + octave) * 0x9E3779B97F4A7C15 % 2**64
        )
        x = (x ^ (x >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
        x = (x ^ (x >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
        x ^= x >> np.uint64(31)
        return x.astype(np.float64) / 2.0**64


def _smooth(x: Floats) -> Floats:
    x = x.clip(0.0, 1.0)
    return x * x * (3 - 2 * x)


class SkyFileError(UserError):
    """A file of measured irradiance that cannot be read: one sentence, with its line."""


@dataclass(frozen=True, eq=False)
class Measured:
    """One UTC day of irradiance as a station measured it.

    A value is the average up to the minute written beside it, so it stands at the middle
    of that interval; in between, values run straight from one to the next. Where a value
    is missing or flagged, and outside the day, there is no direct sun and no sky.
    """

    name: str
    latitude_deg: float
    longitude_deg: float
    elevation_m: float
    date: date
    middle_us: Micros
    direct_wm2: Floats
    diffuse_wm2: Floats
    interval_us: int

    def irradiance(self, utc_us: Micros, altitude_deg: Floats) -> tuple[Floats, Floats]:
        after = np.searchsorted(self.middle_us, utc_us, side="right").clip(
            1, len(self.middle_us) - 1
        )
        start, end = self.middle_us[after - 1], self.middle_us[after]
        inside = (utc_us >= start) & (utc_us <= end) & (end - start <= self.interval_us)
        share = (utc_us - start) / (end - start)

        def between(values: Floats) -> Floats:
            value = values[after - 1] * (1 - share) + values[after] * share
            return np.where(inside & np.isfinite(value), value, 0.0)

        return between(self.direct_wm2), between(self.diffuse_wm2)


_COLUMNS = 48
_DIRECT, _DIFFUSE = 12, 14  # each followed by its quality flag
_MISSING = -9999.0
_LONGEST_BYTES = 2_000_000
_LONGEST_INTERVAL_US = 3 * _MINUTE_US  # the network's, before 2009
_ROWS = range(2, 1441)
_PLACE = ((-90.0, 90.0), (-180.0, 180.0), (-500.0, 9000.0))  # deg, deg, m
_WM2 = (-100.0, 2000.0)


def measured(path: Path) -> Measured:
    """Read a daily file of NOAA's SURFRAD network (two header lines, then one a minute).

    Raises SkyFileError for anything else and where the file cannot be read.
    """
    shown = inert(str(path))
    try:
        with path.open("rb") as file:
            raw = file.read(_LONGEST_BYTES + 1)
    except OSError as error:
        raise SkyFileError(f"{shown} cannot be read: {error.strerror}") from error

    def refuse(line: int, what: str) -> SkyFileError:
        return SkyFileError(
            f"{shown}, line {line}: {what}; give a daily file of the SURFRAD network as it comes."
        )

    if len(raw) > _LONGEST_BYTES:
        raise refuse(1, "longer than a day can be")
    try:
        lines = raw.decode("ascii").splitlines()
    except UnicodeDecodeError as wrong:
        raise refuse(raw[: wrong.start].count(b"\n") + 1, "not plain text") from None
    name = lines[0].strip() if lines else ""
    if not name or len(name) > 80 or not name.isprintable():
        raise refuse(1, "no name of a station")
    place = _numbers(lines[1].split()[:3]) if len(lines) > 1 else None
    if place is None or len(place) != 3 or not all(map(_within, place, _PLACE)):
        raise refuse(2, "no latitude, longitude and elevation of a place on the Earth")
    rows: list[list[float]] = []
    ends: list[datetime] = []
    for number, line in enumerate(lines[2:], 3):
        row = _numbers(line.split())
        if row is None or len(row) != _COLUMNS:
            raise refuse(number, f"{_COLUMNS} numbers expected")
        end = _instant(row)
        if end is None:
            raise refuse(number, "no date and time")
        if ends and (end <= ends[-1] or end.date() != ends[0].date()):
            raise refuse(number, "a time out of order or of another day")
        for column in (_DIRECT, _DIFFUSE):
            if row[column] > _MISSING and not _within(row[column], _WM2):
                raise refuse(number, f"an irradiance outside {_WM2[0]:g} to {_WM2[1]:g} W/m2")
        rows.append(row)
        ends.append(end)
    if len(rows) not in _ROWS:
        raise refuse(len(lines), f"{len(rows)} rows of data where a day has 2 to 1440")
    minutes = np.array([e.hour * 60 + e.minute for e in ends], np.int64)
    interval_us = int(np.diff(minutes).min()) * _MINUTE_US
    if interval_us > _LONGEST_INTERVAL_US:
        raise refuse(4, "a row every minute or every three expected")
    midnight = int(datetime.combine(ends[0], datetime.min.time(), UTC).timestamp()) * 1_000_000
    table = np.array(rows)
    return Measured(
        name=name,
        latitude_deg=place[0],
        longitude_deg=-place[1],  # the network counts west positive
        elevation_m=place[2],
        date=ends[0].date(),
        middle_us=midnight + minutes * _MINUTE_US - interval_us // 2,
        direct_wm2=_good(table, _DIRECT),
        diffuse_wm2=_good(table, _DIFFUSE),
        interval_us=interval_us,
    )


def _numbers(words: list[str]) -> list[float] | None:
    try:
        row = [float(word) for word in words]
    except ValueError:
        return None
    return row if all(abs(x) < 1e9 for x in row) else None


def _within(value: float, limits: tuple[float, float]) -> bool:
    return limits[0] <= value <= limits[1]


def _instant(row: list[float]) -> datetime | None:
    parts = [int(x) for x in (row[0], row[2], row[3], row[4], row[5])]
    try:
        end = datetime(parts[0], parts[1], parts[2], parts[3], parts[4], tzinfo=UTC)
    except ValueError:
        return None
    return end if end.timetuple().tm_yday == row[1] else None


def _good(table: Floats, column: int) -> Floats:
    """A column's values, NaN where missing or flagged; at night they may dip below 0."""
    values = table[:, column]
    bad = (values <= _MISSING) | (table[:, column + 1] != 0)
    return np.where(bad, np.nan, np.maximum(values, 0.0))
