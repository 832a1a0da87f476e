"""TOML files that users write: read within bounds, checked against tables of fields.

A field's description in its table says what to write there: a mistake is reported as what
stands in the file and that description.
"""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any, get_args

from pydantic import BaseModel, ConfigDict, ValidationError
from pydantic_core import ErrorDetails

from dialbench.errors import UserError, inert

Source = Path | Traversable
FieldPath = tuple[int | str, ...]

_LINE = 1000  # characters; a dotted key takes memory that grows with the square of its length
_CLOSE = 0.7  # how alike names are, of 1, for one to be a slip of the other


class TomlError(UserError):
    """Why a file is no TOML to begin with: one sentence that begins with its name."""


class Table(BaseModel):
    """What all tables have in common: nothing is converted, nothing unknown let through."""

    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False, frozen=True)


def read_text(source: Source, what: str, max_bytes: int) -> str:
    """The text of a file; what names its kind in messages. Raises TomlError."""
    name = inert(str(source))
    try:
        with source.open("rb") as stream:
            raw = stream.read(max_bytes + 1)
    except FileNotFoundError:
        raise TomlError(f"{name}: there is no such file") from None
    except (OSError, ValueError) as error:  # ValueError: NUL in the path
        reason = getattr(error, "strerror", None) or error
        raise TomlError(f"{name}: cannot be read ({reason})") from None
    if len(raw) > max_bytes:
        raise TomlError(f"{name}: is larger than {max_bytes // 1_000_000} MB, no {what}")
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise TomlError(f"{name}: line {line} is not UTF-8; save it as UTF-8") from None


def parse_text(text: str, name: str, what: str) -> dict[str, Any]:
    """The tables of a TOML text; name stands for the file in messages. Raises TomlError."""
    long = next((k for k, line in enumerate(text.split("\n"), 1) if len(line) > _LINE), None)
    try:
        if long is None:
            return tomllib.loads(text)
        problem = f"line {long}: is longer than {_LINE} characters; break it up"
    except tomllib.TOMLDecodeError as error:
        found = re.fullmatch(r"(.*) \(at line (\d+), column (\d+)\)", str(error), re.DOTALL)
        reason, line = (found[1], found[2]) if found else (str(error), text.count("\n") + 1)
        problem = f"line {line}: is no TOML ({reason})"
    except RecursionError:
        problem = f"tables and lists are nested too deep for a {what}"
    raise TomlError(f"{inert(name)}: {inert(problem)}") from None


@dataclass(frozen=True)
class Sound:
    """A document's values that are not themselves among its mistakes."""

    document: dict[str, Any]
    bad: frozenset[FieldPath]

    def __call__(self, *path: int | str) -> Any:
        """The value at path; None where it is missing, or it or a table around it is wrong."""
        value: Any = self.document
        for depth, part in enumerate(path):
            if path[: depth + 1] in self.bad:
                return None
            if isinstance(value, dict):
                value = value.get(part)
            elif isinstance(value, list) and isinstance(part, int) and part < len(value):
                value = value[part]
            else:
                return None
        return value

    def items(self, *path: int | str) -> range:
        """The places of the list at path; empty where there is none."""
        return range(len(self(*path) or ()))


def problems_in(
    document: dict[str, Any],
    model: type[BaseModel],
    kinds: Mapping[object, type[BaseModel]],
) -> list[tuple[FieldPath, str]]:
    """What is wrong with the fields of a document, each by itself: (path, sentence).

    kinds: the tables that tags of discriminated unions stand for.
    """
    try:
        model.model_validate(document)
    except ValidationError as error:
        return [_problem(found, model, kinds) for found in error.errors(include_url=False)]
    return []


def written(path: FieldPath) -> str:
    """A path as it is printed: parts joined by dots, list places counted from 0."""
    return ".".join(
        str(part)
        if isinstance(part, int) or re.fullmatch(r"[\w-]{1,40}", part, re.ASCII)
        else shown(part)
        for part in path
    )


def shown(value: object) -> str:
    """A value from a file, short and fit for a terminal."""
    if isinstance(value, list | dict):
        return "a list" if isinstance(value, list) else "a table"
    if isinstance(value, bool):
        return str(value).lower()
    text = repr(value) if isinstance(value, str | float | int) else str(value)
    return text if len(text) <= 60 else text[:60] + "..."


def _problem(
    details: ErrorDetails, model: type[BaseModel], kinds: Mapping[object, type[BaseModel]]
) -> tuple[FieldPath, str]:
    """Path and sentence of one of pydantic's findings."""
    path: list[int | str] = []
    tables: list[type[BaseModel]] = [model]
    wanted = ""
    for part in details["loc"]:
        if len(tables) > 1 and part in kinds:
            tables = [kinds[part]]  # pydantic's own mark, no part of the file
            continue
        path.append(part)
        if isinstance(part, str) and part in tables[0].model_fields:
            field = tables[0].model_fields[part]
            wanted = field.description or ""
            tables = list(_tables(field.annotation))
    if details["type"] == "extra_forbidden":
        close = difflib.get_close_matches(str(path[-1])[:40], tables[0].model_fields, 1, _CLOSE)
        mend = f"write {close[0]} if that is meant" if close else "remove it"
        return tuple(path), f"does not belong here; {mend}"
    found = "missing" if details["type"] == "missing" else shown(details["input"])
    return tuple(path), f"is {found}; write {wanted}"


def _tables(annotation: object) -> Iterator[type[BaseModel]]:
    """The tables that a field's annotation speaks of."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for part in get_args(annotation):
        yield from _tables(part)
