"""The geocentric apparent Sun and the Earth's rotation, tabulated: DE421 through Skyfield.

The Sun: three functions of UT1 that belong to no site are smooth enough for polynomials of
degree ten over sixteen days, which stay within 0.0005 arc seconds of Skyfield. They are
worked out in blocks of four years, on first use, and kept on disk (`dialbench.kept`); only
that takes Skyfield, so that a process which finds them there never imports it.

Times are int64 microseconds: of Unix UTC, or of UT1 counted in the same way. What parts
them, UT1-UTC, is read from Skyfield's builtin table of the IERS (Earth orientation, 1973 to
about a year after its making; straight lines from day to day). Its standard uncertainty:

- in the table 0.1 ms, and 1 ms before 1984, when radio interferometry took over (from
  memory); in its last year, which is predicted, 0.25 ms x days^0.75 (IERS Bulletin A on
  its predictions, from memory);
- beyond its end, where the last value is held, the same and with it 0.8 ms x days: so
  much has UT1-UTC moved since 2000 (root mean square, from the table itself);
- where that would say more, and in 1972: 0.52 s, for leap seconds keep UT1-UTC within
  0.9 s (ITU-R TF.460, from memory), and nothing else is known: 0.9 s / sqrt 3;
- before 1972: 0.1 s. UTC, and the time signals before it, were made to follow the Earth
  within about that (from memory); before radio a clock was no better.

Before the table UT1-UTC counts as 0.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cache
from threading import Lock

import numpy as np
from numpy.typing import NDArray

from dialbench import de421, kept
from dialbench.de421 import DAY_US, DEGREE, MARGIN_US, PIECE_US, TT_US
from dialbench.errors import UserError

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_BLOCK = 92  # pieces that are worked out and kept together: four years
_GRACE_US = 1_000_000  # the bounds are of UTC
_BATCH = 8192  # instants that fit a processor's cache together

_STEERED_S = 0.1
_BOUND_S = 0.9 / 3**0.5
_TIMED_S, _MEASURED_S, _MEASURED_US = 0.001, 0.0001, 441_763_200_000_000  # 1984-01-01
_PREDICTED_DAYS = 365
_STEPPED_US = 63_072_000_000_000  # 1972-01-01: the first UTC with leap seconds


class SkyError(UserError):
    """An instant that the sky cannot be told for; str() is one sentence for the user."""


def from_us(utc_us: int) -> datetime:
    """The datetime in UTC of microseconds of Unix UTC."""
    return _EPOCH + timedelta(microseconds=int(utc_us))


@dataclass(frozen=True)
class _Table:
    """What the ephemeris and the timescale say once and for all.

    tt_us, delta_t_us: TT counted like Unix time, and TT-UT1 then, in microseconds.
    jump_us: UTC at which UTC steps against UT1, the table's begin and then leap seconds;
    tai_us: TAI-UTC from each of them on.
    """

    first_us: int
    last_us: int
    tt_us: Floats
    delta_t_us: Floats
    jump_us: Ints
    tai_us: Ints
    sha256: str

    @property
    def end_us(self) -> int:
        """UTC of the last published UT1-UTC."""
        return round(float(self.tt_us[-1])) - TT_US - int(self.tai_us[-1])

    @property
    def origin_us(self) -> int:
        """Where the Sun's polynomials begin: with the ephemeris itself."""
        return self.first_us - MARGIN_US

    @property
    def pieces(self) -> int:
        return -((self.origin_us - self.last_us - MARGIN_US) // PIECE_US)


def apparent(ut1_us: Ints, grace_us: int = _GRACE_US) -> tuple[Floats, Floats, Floats]:
    """The geocentric apparent Sun, referred to the equator and equinox of date; shape (n,).

    How far its Greenwich hour angle is ahead of UT1 less 12 hours, in radians (the
    equation of time); declination in radians; distance in au. Raises SkyError for instants
    more than grace_us beyond first_us() or last_us(); a few days beyond, the last
    polynomials still hold to an arc second.
    """
    table = _table()
    ut1_us = np.atleast_1d(np.asarray(ut1_us, dtype=np.int64))
    if not len(ut1_us):
        return np.zeros(0), np.zeros(0), np.zeros(0)
    low, high = int(ut1_us.min()), int(ut1_us.max())
    for instant in (low, high):
        if not table.first_us - grace_us <= instant <= table.last_us + grace_us:
            raise SkyError(
                f"the Sun's place is known from {_day(table.first_us)} "
                f"to {_day(table.last_us - 1)}, not on {_day(instant)}: choose an instant between"
            )
    pieces = _pieces()
    out = np.empty((3, len(ut1_us)))
    for begin in range(0, len(ut1_us), _BATCH):
        number, rest_us = _place(ut1_us[begin : begin + _BATCH])
        pieces.need(number)
        x = rest_us * (2 / PIECE_US) - 1
        value = pieces.rows[0].take(number, axis=1)
        for power in pieces.rows[1:]:
            value *= x
            value += power.take(number, axis=1)
        out[:, begin : begin + _BATCH] = value
    return out[0], out[1], out[2]


def ut1_minus_utc_s(utc_us: Ints) -> tuple[Floats, Floats]:
    """UT1-UTC in seconds at instants of UTC, and its standard uncertainty; shape (n,)."""
    table = _table()
    utc_us = np.atleast_1d(np.asarray(utc_us, dtype=np.int64))
    ahead_s = (ut1_us(utc_us) - utc_us) / 1e6
    held_days = (utc_us - table.end_us) / DAY_US
    predicted_s = 0.00025 * np.maximum(held_days + _PREDICTED_DAYS, 0) ** 0.75
    held_s = 0.0008 * np.maximum(held_days, 0)
    table_s = np.where(utc_us < _MEASURED_US, _TIMED_S, _MEASURED_S)
    known_s = np.minimum(np.sqrt(table_s**2 + predicted_s**2 + held_s**2), _BOUND_S)
    before_s = np.where(utc_us < _STEPPED_US, _STEERED_S, _BOUND_S)
    return ahead_s, np.where(utc_us < table.jump_us[0], before_s, known_s)


def ut1_us(utc_us: Ints) -> Ints:
    """Microseconds of UT1 at instants of UTC, shape (n,)."""
    table = _table()
    utc_us = np.atleast_1d(np.asarray(utc_us, dtype=np.int64))
    return _ut1_us(table, utc_us, np.searchsorted(table.jump_us, utc_us, side="right"))


def utc_us(ut1_us: Ints) -> Ints:
    """Microseconds of UTC at instants of UT1, shape (n,): the inverse of ut1_us.

    A leap second, which Unix time has no numbers for, is its midnight.
    """
    table = _table()
    ut1_us = np.atleast_1d(np.asarray(ut1_us, dtype=np.int64))
    stretches = np.arange(len(table.jump_us))
    era = np.searchsorted(_ut1_us(table, table.jump_us, stretches + 1), ut1_us, side="right")
    utc = ut1_us
    for _ in range(3):  # UT1-UTC changes by a millisecond or two a day
        utc = ut1_us - (_ut1_us(table, utc, era) - utc)
    ends = np.append(table.jump_us, np.iinfo(np.int64).max)
    found: Ints = np.minimum(utc, ends[era])
    return found


def first_us() -> int:
    """The first instant of UTC at which the Sun's place is known."""
    return _table().first_us


def last_us() -> int:
    """The last one."""
    return _table().last_us


def facts() -> dict[str, str]:
    """Which ephemeris and which table of the Earth's rotation these are."""
    table = _table()
    key = de421.key()
    return {
        "ephemeris": "DE421",
        "sha256": table.sha256,
        "skyfield": key["skyfield"],
        "skyfield_data": key["skyfield-data"],
        "first_day": _day(table.first_us),
        "last_day": _day(table.last_us - 1),
        "ut1_table_begins": _day(int(table.jump_us[0])),
        "ut1_table_ends": _day(table.end_us),
    }


def _day(utc_us: int) -> str:
    try:
        return from_us(utc_us).date().isoformat()
    except OverflowError:
        return f"day {utc_us // DAY_US} after 1970-01-01"


def _ut1_us(table: _Table, utc_us: Ints, era: NDArray[np.intp]) -> Ints:
    """UT1 of UTC, given the number of the jump that comes next."""
    ahead_us = table.tai_us[np.maximum(era - 1, 0)] + TT_US
    ahead_us = ahead_us - np.interp(utc_us + ahead_us, table.tt_us, table.delta_t_us)
    return utc_us + np.where(era > 0, np.rint(ahead_us), 0).astype(np.int64)


def _place(ut1_us: Ints) -> tuple[Ints, Ints]:
    """Number of the piece that holds each instant, and how far into it that is."""
    table = _table()
    after_us = ut1_us - table.origin_us
    number = np.clip(after_us // PIECE_US, 0, table.pieces - 1)
    return number, after_us - number * PIECE_US


@cache
def _table() -> _Table:
    known = kept.load("earth", de421.key())
    if known is None:
        known = de421.table()
        kept.save("earth", de421.key(), known)
    first, last = known["span_us"].tolist()
    return _Table(
        first_us=first,
        last_us=last,
        tt_us=known["tt_us"],
        delta_t_us=known["delta_t_us"],
        jump_us=known["jump_us"],
        tai_us=known["tai_us"],
        sha256=known["sha256"].tobytes().hex(),
    )


class _Pieces:
    """Coefficients of the Sun's polynomials, shape (degree + 1, 3, pieces), highest first."""

    def __init__(self) -> None:
        pieces = _table().pieces
        self.rows = np.full((DEGREE + 1, 3, pieces), np.nan)
        self.have = np.zeros(-(-pieces // _BLOCK), bool)
        self.lock = Lock()

    def need(self, numbers: Ints) -> None:
        """See to it that pieces are there."""
        low, high = int(numbers.min()) // _BLOCK, int(numbers.max()) // _BLOCK
        if not self.have[low : high + 1].all():
            for block in np.unique(numbers // _BLOCK).tolist():
                self._fetch(block)

    def _fetch(self, number: int) -> None:
        with self.lock:
            if self.have[number]:
                return
            part = slice(number * _BLOCK, min((number + 1) * _BLOCK, self.rows.shape[-1]))
            name = f"sun-{number:02d}"
            known = kept.load(name, de421.key())
            if known is None:
                starts_us = _table().origin_us + np.arange(part.start, part.stop) * PIECE_US
                known = {"rows": de421.pieces(starts_us)}
                kept.save(name, de421.key(), known)
            self.rows[:, :, part] = known["rows"]
            self.have[number] = True


@cache
def _pieces() -> _Pieces:
    return _Pieces()
