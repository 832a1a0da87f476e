"""The pages of the app, in the order of their keys."""

from __future__ import annotations

from dialbench.watch.live import LivePage
from dialbench.watch.page import Page

PAGES: tuple[type[Page], ...] = (LivePage,)
