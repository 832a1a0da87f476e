"""What the screen may ask of the feed: small frozen values, carried out in the feed's thread."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Pull:
    """Bring the board's log into the store."""


Wish = Pull
