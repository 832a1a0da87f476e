"""Values that are columns of one length: parts put together, and parts taken out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

    Columns = TypeVar("Columns", bound=DataclassInstance)


def joined(parts: Sequence[Columns]) -> Columns:
    """One after the other; there must be one at least."""
    kind = type(parts[0])
    names = [field.name for field in fields(kind)]
    return kind(*(np.concatenate([getattr(part, name) for part in parts]) for name in names))


def only(whole: Columns, which: NDArray[Any]) -> Columns:
    """Some places of each column, or as a mask."""
    return type(whole)(*(getattr(whole, field.name)[which] for field in fields(whole)))
