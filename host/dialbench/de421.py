"""DE421 and the Earth's rotation out of Skyfield: what `dialbench.ephemeris` keeps on disk.

The only module that imports Skyfield, and only when something is asked that no table holds:
a process that finds them made never comes to that.
"""

from __future__ import annotations

import hashlib
import importlib.util
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.polynomial import chebyshev
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

DAY_US = 86_400_000_000
TT_US = 32_184_000  # TT is so much ahead of TAI
DEGREE = 10
PIECE_US = 16 * DAY_US  # DE421 has a whole number of them
MARGIN_US = DAY_US  # at either end, for light time and the step from UTC to TDB

_FORMAT = "1"  # of what is kept
_EPOCH_JD = 2440587.5  # of 1970-01-01
_CHUNK = 2000  # instants a call of Skyfield: its arrays grow with a thousand terms each


@cache
def file() -> Path:
    """Where de421.bsp lies; found without importing the package that brings it."""
    spec = importlib.util.find_spec("skyfield_data")
    folders = list(spec.submodule_search_locations or []) if spec else []
    return Path(*folders[:1], "data", "de421.bsp")


@cache
def key() -> dict[str, str]:
    """What tables made of this ephemeris and this Skyfield are kept under."""
    import importlib.metadata  # takes longer than all else here

    return {
        "format": _FORMAT,
        "skyfield": importlib.metadata.version("skyfield"),
        "skyfield-data": importlib.metadata.version("skyfield-data"),
        "bytes": str(file().stat().st_size),
    }


def table() -> dict[str, NDArray[Any]]:
    """The span of DE421 and the table of UT1, as ephemeris._Table names them."""
    with open(file(), "rb") as stream:
        digest = hashlib.file_digest(stream, "sha256").digest()
    skyfield = source()
    spans = [(s.spk_segment.start_jd, s.spk_segment.end_jd) for s in skyfield.kernel.segments]
    tt, delta_t_s = skyfield.timescale.delta_t_table
    tt_us = (tt - _EPOCH_JD) * DAY_US
    leap_us = np.rint((skyfield.timescale.leap_dates - _EPOCH_JD) * DAY_US).astype(np.int64)
    tai_us = np.rint(skyfield.timescale.leap_offsets * 1e6).astype(np.int64)
    begun = int((leap_us + tai_us + TT_US <= tt_us[0]).sum())
    begin_us = round(tt_us[0]) - TT_US - tai_us[begun - 1]
    # Julian dates in one float are good to 40 microseconds; the table goes by whole days.
    begin_us = round(begin_us / DAY_US) * DAY_US
    whole = np.array([max(a for a, _ in spans), min(b for _, b in spans)])
    whole_us = np.rint((whole - _EPOCH_JD) * DAY_US).astype(np.int64)
    return {
        "span_us": whole_us + [MARGIN_US, -MARGIN_US],
        "tt_us": tt_us,
        "delta_t_us": delta_t_s * 1e6,
        "jump_us": np.insert(leap_us[begun:], 0, begin_us),
        "tai_us": tai_us[begun - 1 :],
        "sha256": np.frombuffer(digest, np.uint8),
    }


def pieces(start_us: Ints) -> Floats:
    """Polynomials of direct() over PIECE_US from each start on: (DEGREE + 1, 3, pieces).

    In powers of x, -1 to 1 over the piece, highest first.
    """
    count = DEGREE + 1
    x = np.cos(np.pi * (np.arange(count) + 0.5) / count)
    nodes_us = start_us[:, None] + np.rint((x + 1) / 2 * PIECE_US).astype(np.int64)
    flat_us = nodes_us.ravel()
    chunks = np.split(flat_us, range(_CHUNK, len(flat_us), _CHUNK))
    places = np.concatenate([direct(chunk) for chunk in chunks], axis=-1)
    # One column a function and piece; then powers of x, which are evaluated faster and,
    # as high coefficients are small, lose nothing.
    values = places.reshape(-1, count).T
    fitted = chebyshev.chebfit(x, values, DEGREE)
    to_powers = np.zeros((count, count))
    for k in range(count):
        to_powers[: k + 1, k] = chebyshev.cheb2poly(np.eye(count)[k])[: k + 1]
    rows: Floats = (to_powers @ fitted).reshape(count, 3, len(start_us))[::-1]
    return rows


@dataclass(frozen=True)
class Source:
    """Skyfield's objects: for building the tables, and for tests to hold them against."""

    timescale: Any
    kernel: Any
    earth: Any
    sun: Any


@cache
def source() -> Source:
    from skyfield.api import load
    from skyfield.jpllib import SpiceKernel

    kernel = SpiceKernel(str(file()))
    return Source(load.timescale(builtin=True), kernel, kernel["earth"], kernel["sun"])


def skyfield_time(ut1_us: Ints) -> Any:
    """Skyfield's Time of UT1 microseconds, without squeezing a date into one float."""
    ts = source().timescale
    day, rest_us = np.divmod(ut1_us, DAY_US)
    whole = day + _EPOCH_JD
    fraction = rest_us / DAY_US
    delta_t_s = ts.ut1_jd(whole + fraction).delta_t
    return ts.tt_jd(whole, fraction + delta_t_s / 86400)


def delta_t_s(year: Floats) -> Floats:
    """TT less UT1 in seconds at Julian years (2000.0 is J2000.0), far beyond DE421 too."""
    delta_t: Floats = source().timescale.tt_jd(2451545.0 + 365.25 * (year - 2000)).delta_t
    return delta_t


def direct(ut1_us: Ints) -> Floats:
    """What ephemeris.apparent tells, from Skyfield itself: shape (3, n). At most a few thousand."""
    skyfield = source()
    t = skyfield_time(ut1_us)
    seen = skyfield.earth.at(t).observe(skyfield.sun).apparent()
    right_ascension, declination, distance = seen.radec("date")
    ahead = (t.gast - right_ascension.hours) / 24 - ut1_us % DAY_US / DAY_US + 0.5
    ahead = ((ahead + 0.5) % 1 - 0.5) * 2 * np.pi
    return np.stack((ahead, declination.radians, distance.au))
