"""The pages of the app, in the order of their keys."""

from __future__ import annotations

from dialbench.watch.bench.page import BenchPage
from dialbench.watch.live import LivePage
from dialbench.watch.log.page import LogPage
from dialbench.watch.page import Page
from dialbench.watch.replay.page import ReplayPage
from dialbench.watch.residuals.page import ResidualsPage
from dialbench.watch.setting.page import SettingPage

PAGES: tuple[type[Page], ...] = (
    LivePage,
    SettingPage,
    BenchPage,
    LogPage,
    ResidualsPage,
    ReplayPage,
)
