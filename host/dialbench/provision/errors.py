"""What can go wrong in putting firmware on a board; the text of each is one sentence."""

from __future__ import annotations

from dialbench.errors import UserError


class ProvisionError(UserError):
    """The board cannot be provisioned; it is as it was, or the sentence says what it is."""


class BoardFull(ProvisionError):
    """The board's file system has no room left."""
