"""datapackage.json, by Frictionless Standards' Data Package, Tabular Data Resource and Table
Schema (specs.frictionlessdata.io, version 1)."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from pathlib import PurePosixPath
from typing import Any

from dialbench import __version__, ephemeris
from dialbench.exchange import ExchangeError
from dialbench.exchange.sink import Written
from dialbench.exchange.table import Table

NAME = "datapackage.json"
FORMAT = "dialbench.bundle/1"
_LICENCE = re.compile(r"[A-Za-z0-9.+-]{1,60}", re.ASCII)
_MEDIA = {
    "csv": "text/csv",
    "toml": "application/toml",
    "md": "text/markdown",
}


def licence(text: str) -> str:
    """The name of a licence, such as CC-BY-4.0. Raises ExchangeError for what is none."""
    if _LICENCE.fullmatch(text) is None:
        raise ExchangeError(
            f"--licence {text}: write a licence's short name, such as CC-BY-4.0 or CC0-1.0"
        )
    return text


def described(
    written: list[Written],
    tables: Mapping[str, Table],
    about: Mapping[str, str],
    title: str,
    licence_name: str | None,
) -> bytes:
    """The descriptor of files. tables: of those that are one, by path; about: of the others, a
    sentence by path."""
    facts: dict[str, Any] = {
        "profile": "data-package",
        "name": "dialbench-bundle",
        "title": title,
        "description": "Logs of light-channel dials, what the ephemeris says of them, and the raw"
        " pages they were read from. README.md says how to check it.",
        "dialbench": {"format": FORMAT, "version": __version__},
    }
    if licence_name is not None:
        facts["licenses"] = [{"name": licence_name}]
    known = ephemeris.facts()
    facts["sources"] = [
        {
            "title": f"JPL ephemeris {known['ephemeris']} (by skyfield-data"
            f" {known['skyfield_data']}), SHA-256 of the table of the Sun {known['sha256']}"
        },
        {
            "title": "UT1-UTC as tabulated by skyfield-data"
            f" {known['skyfield_data']}, {known['ut1_table_begins']} to {known['ut1_table_ends']}"
        },
    ]
    facts["resources"] = [
        _resource(one, tables.get(one.path), about.get(one.path, "")) for one in written
    ]
    return (json.dumps(facts, indent=1, ensure_ascii=True) + "\n").encode()


def _resource(one: Written, table: Table | None, about: str) -> dict[str, Any]:
    kind = PurePosixPath(one.path).suffix[1:]
    facts: dict[str, Any] = {
        "name": one.path.lower().replace("/", "-").removesuffix(f".{kind}".lower()),
        "path": one.path,
        "profile": "tabular-data-resource" if table else "data-resource",
        "description": table.about if table else about,
        "format": kind,
        "mediatype": _MEDIA.get(kind, "application/octet-stream"),
        "encoding": "utf-8",
        "bytes": one.bytes,
        "hash": f"sha256:{one.sha256}",
    }
    if table:
        facts["dialect"] = {"delimiter": ",", "lineTerminator": "\n", "doubleQuote": True}
        facts["schema"] = {
            "fields": [
                {"name": column.name, "type": column.kind, "description": column.about}
                for column in table.columns
            ],
            "missingValues": [""],
        }
    return facts
