"""A whole number for every channel over a time, constant between its changes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Track:
    """From start_us up to before start_us + span_us, in microseconds of Unix UTC.

    key, value: shape (changes,); a key is channel * span_us + utc_us - start_us, so that they
    are sorted by channel and then by time. Each channel has one at start_us.
    """

    channels: int
    start_us: int
    span_us: int
    key: Ints
    value: Ints

    def at(self, utc_us: ArrayLike) -> Ints:
        """The numbers at instants of shape (n,): (n, channels); ValueError outside."""
        since_us = np.atleast_1d(np.asarray(utc_us, np.int64)) - self.start_us
        if np.any((since_us < 0) | (since_us >= self.span_us)):
            raise ValueError("an instant outside the time of this track")
        asked = np.arange(self.channels) * self.span_us + since_us[:, None]
        return self.value[np.searchsorted(self.key, asked, side="right") - 1]

    @property
    def channel(self) -> Ints:
        """Whose each change is."""
        return self.key // self.span_us

    @property
    def utc_us(self) -> Ints:
        """When each change is."""
        return self.start_us + self.key % self.span_us


def counted(
    channels: int, start_us: int, end_us: int, channel: Ints, begin_us: Ints, end_each_us: Ints
) -> Track:
    """How many of some intervals (each of one channel) hold an instant; ends are not held."""
    span_us = end_us - start_us
    first = np.arange(channels) * span_us
    at_us = np.concatenate((np.maximum(begin_us, start_us), np.minimum(end_each_us, end_us)))
    more = np.repeat((1, -1), len(channel))
    inside = at_us < end_us
    # An interval that is empty, or lies outside, goes up and down at one place.
    keys = np.tile(channel, 2) * span_us + np.maximum(at_us, start_us) - start_us
    key, place = np.unique(np.concatenate((first, keys[inside])), return_inverse=True)
    change = np.zeros(len(key), np.int64)
    np.add.at(change, place, np.concatenate((np.zeros(channels, np.int64), more[inside])))
    total = np.cumsum(change)
    begins = np.searchsorted(key, first)
    before = total[begins] - change[begins]
    return _without_repeats(channels, start_us, span_us, key, total - before[key // span_us])


def looked_up(one: Track, other: Track, table: Ints) -> Track:
    """table[one, other] over time, of tracks over the same time."""
    key = np.union1d(one.key, other.key)
    a, b = (
        track.value[np.searchsorted(track.key, key, side="right") - 1] for track in (one, other)
    )
    return _without_repeats(one.channels, one.start_us, one.span_us, key, table[a, b])


def _without_repeats(channels: int, start_us: int, span_us: int, key: Ints, value: Ints) -> Track:
    new = np.ones(len(key), np.bool_)
    new[1:] = (value[1:] != value[:-1]) | (key[1:] // span_us != key[:-1] // span_us)
    return Track(channels, start_us, span_us, key[new], value[new])
