"""Dialbench for notebooks: open a store, take arrays out of it, solve, plot.

These names stay. Every example below runs as a test; `path` in them is a store that holds one
imported log of a dial that comes about 30 s late.

>>> from dialbench import api
>>> with api.open_store(path) as store:
...     log = store.log()
>>> late = log.residuals()
>>> print(f"{len(late.late_s)} matched, median {np.median(late.late_s):.0f} s late")
96 matched, median 30 s late

Times are numpy's datetime64[us], UTC without a zone; NaT and nan stand for what is not known.
Nothing here writes into a store.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, Self

import numpy as np
from numpy.typing import NDArray

from dialbench import dialfile
from dialbench.compare import KINDS, Measured
from dialbench.crossing import Crossings as Due
from dialbench.dial import Dial
from dialbench.errors import UserError
from dialbench.exchange import parquet
from dialbench.exchange.log import Late
from dialbench.logged import Logged, board_log, foreign_log
from dialbench.residuals import residuals
from dialbench.sky import Sky
from dialbench.store import Store, StoredBoard, StoredForeign

if TYPE_CHECKING:
    from dialbench.plots.figure import Figure
    from dialbench.solve import Solved

__all__ = [
    "ApiError",
    "Crossings",
    "Log",
    "OpenStore",
    "Predictions",
    "Residuals",
    "arrow",
    "open_store",
]

Times = NDArray[np.datetime64]
By = Literal["channel", "hour", "day"]


class ApiError(UserError):
    """What was asked cannot be given; one sentence that says how to mend it."""


@dataclass(frozen=True)
class Crossings:
    """Crossings as logged; arrays of shape (n,), in order of boot and time.

    utc: when, datetime64[us]; channel: from 0; threshold: the lit fraction passed, 0.25, 0.5 or
    0.75; rise: True where it grew; sigma_s: the clock's standard uncertainty, s, nan where
    it is not known.
    """

    utc: Times
    channel: NDArray[np.int64]
    threshold: NDArray[np.float64]
    rise: NDArray[np.bool_]
    sigma_s: NDArray[np.float64]


@dataclass(frozen=True)
class Predictions:
    """Crossings due by the ephemeris for the dial as drawn; arrays of shape (n,), by time.

    utc, channel, threshold, rise: as in Crossings; kind: "matched", "missed" or "unobserved".
    """

    utc: Times
    channel: NDArray[np.int64]
    threshold: NDArray[np.float64]
    rise: NDArray[np.bool_]
    kind: NDArray[np.str_]


@dataclass(frozen=True)
class Residuals:
    """Matched pairs; arrays of shape (n,), in the order of the predictions.

    utc: measured; predicted_utc: due; channel, threshold, rise: as in Crossings; late_s: measured
    less predicted, s.
    """

    utc: Times
    predicted_utc: Times
    channel: NDArray[np.int64]
    threshold: NDArray[np.float64]
    rise: NDArray[np.bool_]
    late_s: NDArray[np.float64]


class Log:
    """One log of a store with the dial it is of, read once: what follows works on memory.

    name: the board's uid or the imported log's hash, 16 hex digits; dial: the Dial as drawn.

    >>> log.name, len(log.dial.channels)
    ('...', 33)
    """

    def __init__(self, name: str, logged: Logged, dial: Dial) -> None:
        self.name = name
        self.dial = dial
        self._logged = logged

    @cached_property
    def _sky(self) -> Sky:
        return Sky(self.dial.site)

    @cached_property
    def _late(self) -> Late:
        return Late.of(self._logged, self.dial, self._sky)

    def crossings(self) -> Crossings:
        """Every crossing whose time can be told, as Crossings of shape (n,).

        >>> crossings = log.crossings()
        >>> crossings.utc.dtype, crossings.channel.shape == crossings.sigma_s.shape
        (dtype('<M8[us]'), True)
        """
        measured = self._logged.measured
        return Crossings(*_what(measured), measured.sigma_s)

    def observed(self) -> Times:
        """Spans of direct sun in which nothing was lost: shape (n, 2), start and end, UTC.

        >>> (log.observed()[:, 1] - log.observed()[:, 0]).astype("m8[h]")
        array([12], dtype='timedelta64[h]')
        """
        return np.array(self._logged.observed, np.int64).reshape(-1, 2).astype("M8[us]")

    def predictions(self) -> Predictions:
        """Every crossing due on the days the log touches, as Predictions of shape (n,).

        Raises SkyError, a UserError, for times that the ephemeris does not reach.

        >>> due = log.predictions()
        >>> sorted(set(due.kind.tolist()))
        ['matched']
        """
        found = self._late.found
        return Predictions(*_what(found.predicted), np.array(KINDS)[found.kind])

    def residuals(self) -> Residuals:
        """Every matched pair, as Residuals of shape (n,); n may be 0.

        Raises SkyError, a UserError, for times that the ephemeris does not reach.

        >>> late = log.residuals()
        >>> np.allclose((late.utc - late.predicted_utc) / np.timedelta64(1, "s"), late.late_s)
        True
        """
        found = self._late.found
        utc, *_ = _what(found.measured)
        due, channel, threshold, rise = _what(found.predicted)
        at = found.predicted_index
        return Residuals(
            utc[found.measured_index],
            due[at],
            channel[at],
            threshold[at],
            rise[at],
            found.residual_s,
        )

    def solve(self, progress: Callable[[str, float], None] | None = None) -> Solved:
        """How the dial really stands and came out, each figure with its uncertainty: a
        dialbench.solve.Solved. What the log cannot tell is None in it.

        progress is called with what is being done and the share of it done, 0..1. Raises
        SolveError or SuspicionError, both UserErrors, where nothing honest can be solved.

        >>> found = log.solve()
        >>> found.pose.angles[0].name, found.pose.angles[0].value_deg
        ('azimuth', None)
        """
        from dialbench.solve import solve
        from dialbench.solve.suspicion import sound

        logged, _ = sound(self._logged, self.dial, self._sky)
        return solve(logged, self.dial, self._sky, progress or (lambda what, share: None))

    def plot(self, by: By = "hour") -> Figure:
        """How late crossings came, by channel, hour of apparent solar time or day: a matplotlib
        Figure, which a notebook shows.

        Raises ApiError where nothing was matched, or for another word.

        >>> log.plot("channel").axes[0].get_ylabel()
        'late, s'
        """
        from dialbench.plots import campaign, figure

        late = residuals(self._late.found, self.dial, self._sky)
        groups = {"channel": late.by_channel, "hour": late.by_hour, "day": late.by_day}
        if by not in groups:
            raise ApiError(f'by {by!r}: write one of "channel", "hour", "day"')
        if not len(late):
            raise ApiError(f"log {self.name}: no crossing was matched, so there is nothing to plot")
        with figure.styled():
            return campaign.lateness(groups[by](), late.late_s, by)


class OpenStore:
    """A store that was opened to be read; a context manager. Made by open_store()."""

    def __init__(self, store: Store, name: str) -> None:
        self._store = store
        self._name = name

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the file; logs taken out of it stay usable."""
        self._store.close()

    @property
    def names(self) -> list[str]:
        """The logs in it, 16 hex digits each: boards by uid, then imported logs by hash.

        >>> with api.open_store(path) as store:
        ...     len(store.names)
        1
        """
        store = self._store
        return [*(one.uid for one in store.boards()), *(one.hash for one in store.foreign.logs())]

    def log(self, name: str | None = None, dial: Dial | str | Path | None = None) -> Log:
        """The log of that name, or the only one. dial: another one, or the path of its dial.toml,
        in place of the one that came with the log.

        Raises ApiError where there is no such log or none that is the only one, or where its
        dial is not known; DialFileError for a file that is no dial.

        >>> with api.open_store(path) as store:
        ...     store.log("0123456789abcdef")
        Traceback (most recent call last):
        dialbench.api.ApiError: log 0123456789abcdef: ... holds ...: name one of them
        """
        names = self.names
        if name is None and len(names) == 1:
            [name] = names
        if name not in names:
            raise ApiError(
                f"log {name}: {self._name} holds {', '.join(names) or 'none'}: name one of them"
            )
        store = self._store
        with store.reading():  # a pull may be writing
            kept: dict[str, StoredBoard | StoredForeign] = {
                **{one.uid: one for one in store.boards()},
                **{one.hash: one for one in store.foreign.logs()},
            }
            held = kept[name]
            if isinstance(dial, Dial):
                drawn = dial
            elif dial is not None:
                drawn = dialfile.load(Path(dial))
            elif held.dial_toml is not None:
                drawn = dialfile.parse(held.dial_toml, f"dial of {name}")
            else:
                raise ApiError(f"log {name}: its dial is not known: give it as dial=")
            if len(drawn.channels) != held.channels:
                raise ApiError(
                    f"log {name}: has {held.channels} channels, that dial {len(drawn.channels)}:"
                    " it cannot be the dial this log was made with"
                )
            if isinstance(held, StoredBoard):
                return Log(name, board_log(store, name, held.dial_hash), drawn)
            return Log(name, foreign_log(store.foreign.get(name), held.dial_hash), drawn)


def open_store(path: Path | str) -> OpenStore:
    """The store at path, to be read. Raises StoreError, a UserError, for what is none.

    >>> api.open_store("nowhere.sqlite")
    Traceback (most recent call last):
    dialbench.store.database.StoreError: nowhere.sqlite cannot be opened: ...
    """
    return OpenStore(Store.look(path), str(path))


def arrow(found: Crossings | Predictions | Residuals) -> Any:
    """The same as a pyarrow.Table, a column for each array; times are timestamps in UTC.

    Raises ExchangeError, a UserError, where pyarrow is not installed: pip install
    'dialbench[parquet]'.

    >>> api.arrow(log.residuals()).column_names
    ['utc', 'predicted_utc', 'channel', 'threshold', 'rise', 'late_s']
    """
    pa = parquet.arrow()
    columns = {}
    for field in fields(found):
        values = getattr(found, field.name)
        if values.dtype.kind == "M":
            columns[field.name] = pa.array(values).cast(pa.timestamp("us", tz="UTC"))
        else:
            columns[field.name] = pa.array(values, mask=_unknown(values))
    return pa.table(columns)


def _unknown(values: NDArray[Any]) -> NDArray[np.bool_] | None:
    return np.isnan(values) if values.dtype.kind == "f" else None


def _what(
    of: Measured | Due,
) -> tuple[Times, NDArray[np.int64], NDArray[np.float64], NDArray[np.bool_]]:
    return of.utc_us.astype("M8[us]"), of.channel, (of.threshold + 1) / 4, of.rise
