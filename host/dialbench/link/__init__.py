"""The link: talking to a board over its serial line."""

from __future__ import annotations

from dialbench.link.client import Board
from dialbench.link.errors import LinkError, LinkLost
from dialbench.link.facts import Hello, Live, Status, Traced
from dialbench.link.pull import Pulled

__all__ = ["Board", "Hello", "LinkError", "LinkLost", "Live", "Pulled", "Status", "Traced"]
