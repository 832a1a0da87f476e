"""Tables as Parquet, by pyarrow: the only module that needs it, and it is an extra."""

from __future__ import annotations

from typing import Any, BinaryIO

import numpy as np

from dialbench.exchange import ExchangeError
from dialbench.exchange.table import NO_TIME, Chunk, Column, Table

_MEND = "needs the package pyarrow, which is not here: pip install 'dialbench[parquet]'"


def arrow() -> Any:
    """The module pyarrow. Raises ExchangeError where it is not installed."""
    try:
        import pyarrow
    except ImportError:
        raise ExchangeError(f"Parquet and Arrow tables: {_MEND}") from None
    return pyarrow


def write(table: Table, stream: BinaryIO) -> None:
    """The table as one Parquet file; what a column means stands in its field's metadata."""
    pa = arrow()
    import pyarrow.parquet as pq

    schema = pa.schema(
        [
            pa.field(column.name, _kind(pa, column), metadata={"description": column.about})
            for column in table.columns
        ],
        metadata={"description": table.about},
    )
    with pq.ParquetWriter(stream, schema, compression="zstd") as writer:
        for chunk in table.chunks():
            writer.write_table(pa.Table.from_arrays(arrays(table.columns, chunk), schema=schema))


def arrays(columns: tuple[Column, ...], chunk: Chunk) -> list[Any]:
    """The chunk's columns as Arrow arrays, null where a cell is not known."""
    pa = arrow()
    made = []
    for column, cells in zip(columns, chunk, strict=True):
        values = np.asarray(cells) if column.kind != "string" else list(cells)
        unknown = None
        if column.kind == "datetime":
            unknown = values == NO_TIME
        elif column.kind == "number":
            unknown = ~np.isfinite(np.asarray(values, np.float64))
        made.append(pa.array(values, type=_kind(pa, column), mask=unknown))
    return made


def _kind(pa: Any, column: Column) -> Any:
    return {
        "integer": pa.int64(),
        "number": pa.float64(),
        "datetime": pa.timestamp("us", tz="UTC"),
        "string": pa.string(),
        "boolean": pa.bool_(),
    }[column.kind]
