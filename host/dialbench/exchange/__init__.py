"""Exchange: what a store holds as tables that any program reads, and back again."""

from __future__ import annotations

from dialbench.errors import UserError


class ExchangeError(UserError):
    """What cannot be written or read as asked; a sentence each."""
