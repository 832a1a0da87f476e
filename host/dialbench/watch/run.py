"""The way in: what the command line calls."""

from __future__ import annotations

import os
import sys
import time
from pathlib import Path

from dialbench.analysis import Analysis, analyse
from dialbench.dial import Dial
from dialbench.errors import UserError
from dialbench.shares import Shift
from dialbench.sky import Sky
from dialbench.store import Store
from dialbench.watch.desk import Desk
from dialbench.watch.feed import Feed, Source
from dialbench.watch.forecast import Forecast
from dialbench.watch.glyphs import can_show_blocks
from dialbench.watch.model import LiveState
from dialbench.watch.once import look

_TURN_S = 0.0005  # a tenth of Python's own


def run(source: Source, dial: Dial, store_path: Path) -> None:
    """Watch a dial on this terminal until the user quits.

    source says where its board is; pulls go into the store at store_path, made if it is
    not there. Raises UserError for a path that cannot be a store, or a time no ephemeris
    tells of.
    """
    from dialbench.watch.app import WatchApp

    # Looking ahead and comparing compute in threads: the one that hears keys waits at most so
    # long for its turn, each time it needs one.
    sys.setswitchinterval(_TURN_S)
    if store_path.exists():
        Store.open(store_path).close()
    sky = Sky(dial.site)
    forecast = Forecast(dial, sky)
    forecast.moment(source.clock.utc_us())  # an instant out of the ephemeris' reach tells now

    def compared(uid: str) -> Analysis:
        with Store.open(store_path) as store:
            return analyse(store, uid, dial, sky)

    blocks = can_show_blocks(getattr(sys.__stderr__, "encoding", None), os.environ.get("TERM", ""))
    desk = Desk(
        dial=dial,
        sky=sky,
        store_path=store_path,
        forecast=forecast,
        feed=Feed(source, dial, store_path),
        clock_us=source.clock.utc_us,
        monotonic_s=time.monotonic,
        blocks=blocks,
    )
    WatchApp(desk, compared).run()


def once(source: Source, dial: Dial, store_path: Path) -> LiveState:
    """One look at the dial, for once.snapshot and once.plain. Raises UserError."""
    sky = Sky(dial.site)

    def stored(uid: str) -> Shift | None:
        try:
            with Store.look(store_path) as store:
                return analyse(store, uid, dial, sky).shift
        except UserError:
            return None  # a store that cannot be asked tells nothing of the dial

    feed = Feed(source, dial, store_path)
    return look(feed, Forecast(dial, sky), source.clock.utc_us, stored)
