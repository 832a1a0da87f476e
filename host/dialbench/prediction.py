"""A prediction for people and programs: lit spans beside those of each channel's own bores."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, TextIO

import numpy as np
from numpy.typing import NDArray

from dialbench import ephemeris, predict
from dialbench.dial import Dial
from dialbench.predict import Progress
from dialbench.sky import Sky, from_us, to_us
from dialbench.spans import CROSSING, KINDS, Spans, alone

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

CSV_HEAD = (
    "channel,threshold,begin_utc,end_utc,begins_with,ends_with,"
    "own_begin_utc,own_end_utc,peak,dip_before"
)


@dataclass(frozen=True)
class Prediction:
    """Lit spans of a dial, and when its channels' own bores would begin and end them.

    own_begin_us, own_end_us: microseconds of Unix UTC; 0 for a ghost, a span that no light
    through the channel's own bores reaches.
    """

    dial: Dial
    start_us: int
    end_us: int
    thresholds: tuple[float, ...]
    spans: Spans
    own_begin_us: Ints
    own_end_us: Ints

    @property
    def ghost(self) -> Bools:
        ghost: Bools = self.own_end_us == 0
        return ghost

    @property
    def crossings(self) -> int:
        begins, ends = self.spans.begin_kind, self.spans.end_kind
        return int((begins == CROSSING).sum() + (ends == CROSSING).sum())

    @property
    def grazing(self) -> Bools:
        """Spans short enough to be told with their peak, or after a gap as short."""
        return np.isfinite(self.spans.peak) | np.isfinite(self.spans.dip)

    def only(self, channels: Sequence[int]) -> Prediction:
        """The same for some channels."""
        keep = np.isin(self.spans.channel, channels)
        return replace(
            self,
            spans=self.spans.only(keep),
            own_begin_us=self.own_begin_us[keep],
            own_end_us=self.own_end_us[keep],
        )

    def as_dict(self) -> dict[str, Any]:
        """All facts; spans as columns of one length, times in microseconds of Unix UTC."""
        site, spans = self.dial.site, self.spans
        return {
            "dial": self.dial.name,
            "dial_hash": self.dial.hash,
            "site": {
                "name": site.name,
                "latitude_deg": site.latitude_deg,
                "longitude_deg": site.longitude_deg,
                "elevation_m": site.elevation_m,
                "pressure_mbar": site.pressure_mbar,
                "temperature_C": site.temperature_C,
            },
            "ephemeris": ephemeris.facts(),
            "from": from_us(self.start_us).isoformat(),
            "to": from_us(self.end_us).isoformat(),
            "ut1_minus_utc_s": [
                {"value": float(value[0]), "sigma": float(sigma[0])}
                for value, sigma in (
                    ephemeris.ut1_minus_utc_s(np.array([at_us], np.int64))
                    for at_us in (self.start_us, self.end_us)
                )
            ],
            "thresholds": list(self.thresholds),
            "kinds": list(KINDS),
            "count": len(spans),
            "crossings": self.crossings,
            "ghosts": int(self.ghost.sum()),
            "spans": {
                "channel": spans.channel.tolist(),
                "threshold": spans.threshold.tolist(),
                "begin_us": spans.begin_us.tolist(),
                "end_us": spans.end_us.tolist(),
                "begin_kind": spans.begin_kind.tolist(),
                "end_kind": spans.end_kind.tolist(),
                "own_begin_us": _or_none(self.own_begin_us, self.ghost),
                "own_end_us": _or_none(self.own_end_us, self.ghost),
                "peak": _or_none(spans.peak, np.isnan(spans.peak)),
                "dip": _or_none(spans.dip, np.isnan(spans.dip)),
            },
        }

    def span_rows(self) -> list[tuple[str, ...]]:
        """One row a span, times of the site's zone; the first is the heading."""
        spans, zone = self.spans, self.dial.site.tz
        rows: list[tuple[str, ...]] = [
            ("channel", "threshold", "lit from", "to", "own bores (s)", "remark")
        ]
        for k in range(len(spans)):
            own = "ghost"
            if not self.ghost[k]:
                own = " ".join(
                    _seconds(int(ours[k]) - int(here[k]))
                    for ours, here in (
                        (self.own_begin_us, spans.begin_us),
                        (self.own_end_us, spans.end_us),
                    )
                )
            kinds = {KINDS[kind] for kind in (spans.begin_kind[k], spans.end_kind[k])}
            remarks = sorted(kinds - {KINDS[CROSSING]})
            if np.isfinite(spans.peak[k]):
                remarks.append(f"peak {spans.peak[k]:.3f}")
            if np.isfinite(spans.dip[k]):
                remarks.append(f"after a dip to {spans.dip[k]:.3f}")
            rows.append(
                (
                    str(spans.channel[k]),
                    f"{self.thresholds[spans.threshold[k]]:g}",
                    *(
                        f"{from_us(int(at[k])).astimezone(zone):%H:%M:%S}"
                        for at in (spans.begin_us, spans.end_us)
                    ),
                    own,
                    ", ".join(remarks),
                )
            )
        return rows

    def channel_rows(self) -> list[tuple[str, ...]]:
        """One row a channel and threshold; the first is the heading."""
        rows: list[tuple[str, ...]] = [
            ("channel", "threshold", "spans", "hours lit", "ghosts", "grazing", "cut by Sun")
        ]
        spans = self.spans
        cut = (spans.begin_kind != CROSSING) | (spans.end_kind != CROSSING)
        for channel in np.unique(spans.channel).tolist():
            for number, level in enumerate(self.thresholds):
                own = (spans.channel == channel) & (spans.threshold == number)
                hours = (spans.end_us[own] - spans.begin_us[own]).sum() / 3.6e9
                counts = (of[own].sum() for of in (self.ghost, self.grazing, cut))
                rows.append(
                    (
                        str(channel),
                        f"{level:g}",
                        str(own.sum()),
                        f"{hours:.2f}",
                        *(str(count) for count in counts),
                    )
                )
        return rows

    def write_csv(self, stream: TextIO) -> None:
        """One line a span, in the order of time; instants in UTC to a millisecond."""
        spans = self.spans
        columns = (
            spans.channel.tolist(),
            [f"{self.thresholds[number]:g}" for number in spans.threshold.tolist()],
            utc_texts(spans.begin_us),
            utc_texts(spans.end_us),
            [KINDS[kind] for kind in spans.begin_kind.tolist()],
            [KINDS[kind] for kind in spans.end_kind.tolist()],
            _blanked(utc_texts(self.own_begin_us), self.ghost),
            _blanked(utc_texts(self.own_end_us), self.ghost),
            _fractions(spans.peak),
            _fractions(spans.dip),
        )
        stream.write(CSV_HEAD + "\n")
        stream.writelines(
            f"{a},{b},{c},{d},{e},{f},{g},{h},{i},{j}\n"
            for a, b, c, d, e, f, g, h, i, j in zip(*columns, strict=True)
        )


def predicted(
    dial: Dial,
    begin: datetime,
    end: datetime,
    thresholds: tuple[float, ...],
    progress: Progress | None = None,
) -> Prediction:
    """The prediction for a dial between two aware instants. Raises SkyError."""
    sky, start_us, end_us = Sky(dial.site), to_us(begin), to_us(end)
    both = [
        predict.spans(
            dial, sky, start_us, end_us, thresholds=thresholds, ghosts=ghosts, progress=progress
        )
        for ghosts in (True, False)
    ]
    first, last = alone(*both)
    begins, ends = (np.append(of, 0) for of in (both[1].begin_us, both[1].end_us))
    return Prediction(dial, start_us, end_us, thresholds, both[0], begins[first], ends[last])


def _seconds(us: int) -> str:
    tenths = round(us / 1e5)
    return f"{tenths / 10:+.1f}" if tenths else "0"


def utc_texts(utc_us: Ints) -> list[str]:
    """Instants of UTC as text, to a millisecond."""
    rounded = (utc_us + 500) // 1000
    return [text + "Z" for text in np.datetime_as_string(rounded.astype("M8[ms]")).tolist()]


def _or_none(values: NDArray[Any], none: NDArray[np.bool_]) -> list[Any]:
    return [None if no else value for value, no in zip(values.tolist(), none.tolist(), strict=True)]


def _blanked(texts: list[str], blank: NDArray[np.bool_]) -> list[str]:
    return ["" if no else text for text, no in zip(texts, blank.tolist(), strict=True)]


def _fractions(values: Floats) -> list[str]:
    texts = [""] * len(values)
    for k in np.flatnonzero(np.isfinite(values)).tolist():
        texts[k] = f"{values[k]:.4f}"
    return texts
