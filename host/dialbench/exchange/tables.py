"""One log's tables in a folder, as CSV or Parquet, with a dictionary of their columns beside."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Literal

from dialbench.exchange import parquet, sink
from dialbench.exchange.log import Late, board_tables, foreign_tables
from dialbench.exchange.table import Column, Table, csv_text, cut
from dialbench.store import Store

Format = Literal["csv", "parquet"]

DICTIONARY = "dictionary.csv"
_DICTIONARY = (
    Column("file", "string", "The file that has the column."),
    Column("column", "string", "The column's name, with its unit at the end."),
    Column("type", "string", "integer, number, datetime (UTC), string or boolean."),
    Column("description", "string", "What it is."),
)


def of_log(store: Store, named: dict[str, str], late: Late | None) -> Iterator[Table]:
    """The tables of the log that is meant ({"board": uid} or {"log": hash})."""
    if "board" in named:
        yield from board_tables(store, named["board"], store.clock(named["board"]))
    else:
        yield from foreign_tables(store.foreign.get(named["log"]))
    if late is not None:
        yield from late.tables()


def write(
    store: Store,
    named: dict[str, str],
    late: Late | None,
    out: Path,
    form: Format,
) -> list[sink.Written]:
    """Put the log's tables into a folder or .zip at out; all of it or nothing.

    Raises ExchangeError where out cannot be written, or pyarrow is wanted and missing.
    """
    if form == "parquet":
        parquet.arrow()
    rows = []
    with sink.placed(out) as into, store.reading():
        for table in of_log(store, named, late):
            file = f"{table.name}.{form}"
            if form == "csv":
                into.write(file, csv_text(table))
            else:
                with into.open(file) as stream:
                    parquet.write(table, stream)
            rows += [(file, one.name, one.kind, one.about) for one in table.columns]
        cells = list(map(list, zip(*rows, strict=True)))
        told = Table(DICTIONARY, "Every column.", _DICTIONARY, lambda: cut(cells))
        into.write(DICTIONARY, csv_text(told))
        return into.written
