"""What the screen may ask of the feed: small frozen values, carried out in the feed's thread."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Pull:
    """Bring the board's log into the store."""


@dataclass(frozen=True)
class Trace:
    """Have the board send looks on the bench every period_ms; 0 ends them."""

    period_ms: int


Wish = Pull | Trace
