"""Documents of TOML bent by a fuzzer's bytes: values replaced, removed, added, doubled."""

import math
import struct
from datetime import date, datetime, time

_ODD = (
    0, -1, 1, 2**31, -(2**63), 2**64, 10**400, 0.0, -0.0, 1e308, -1e-308, 5e-324, math.inf,
    -math.inf, math.nan, True, False, "", "\0", "\x1b[31m", "\u202e", "\ud800", "é" * 50, "x" * 5000,
    "12:00", "24:00", "-01:00", "Europe/Berlin", "../../etc", [], {}, [[]], [{}], {"kind": "listed"},
    [1] * 130, [{}] * 3, date(2027, 4, 16), date.min, date.max, time(12), datetime(2027, 4, 16),
    ["#.#"], ["#"] * 70, ["#" * 70], [-23.5, 23.5], [23.5, -23.5],
)  # fmt: skip
_KEYS = (
    "kind",
    "name",
    "note",
    "steps",
    "bore",
    "bores",
    "limits",
    "wish",
    "horizon",
    "season_deg",
)


def bent(document, data):
    """A copy of a document with each few bytes of data one change more."""
    document = _copied(document)
    places = list(_places(document))
    at = 0
    while at + 3 <= len(data) and at < 300:
        what, where, which = data[at : at + 3]
        at += 3
        table, key = places[where % len(places)]
        if isinstance(table, dict) and key not in table:
            continue  # taken away before
        value, at = _value(data, at, which)
        kind = what % 8
        if kind < 4:
            table[key] = value
        elif kind == 4 and isinstance(table, dict):
            del table[key]
        elif kind == 5 and isinstance(table, list):
            table.append(_copied(table[key]))
        elif isinstance(table, dict):
            table[_KEYS[which % len(_KEYS)]] = value
    return document


def _copied(value):
    if isinstance(value, dict):
        return {key: _copied(inner) for key, inner in value.items()}
    return [_copied(inner) for inner in value] if isinstance(value, list) else value


def _places(value):
    """(table or list, key or place) of every value within a document."""
    keys = value if isinstance(value, dict) else range(len(value))
    for key in keys:
        yield value, key
        if isinstance(value[key], dict | list):
            yield from _places(value[key])


def _value(data, at, which):
    """A value, and where in the data what makes it ends."""
    if which < 160:
        return _copied(_ODD[which % len(_ODD)]), at
    if which < 200:
        return struct.unpack("<d", data[at : at + 8].ljust(8, b"\0"))[0], at + 8
    if which < 230:
        return int.from_bytes(data[at : at + 2], "little", signed=True), at + 2
    size = which - 230
    return data[at : at + size].decode("utf-8", "surrogateescape"), at + size
