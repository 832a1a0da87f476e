"""The log page."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import ClassVar

from textual.binding import Binding, BindingType
from textual.containers import Horizontal
from textual.message import Message
from textual.widget import Widget

from dialbench.drift import drift
from dialbench.errors import UserError
from dialbench.holdings import holdings
from dialbench.store import Store
from dialbench.store.check import check
from dialbench.watch.desk import Desk
from dialbench.watch.events import Connected, Event, Pulled
from dialbench.watch.log.model import Checked, Progress, Told, followed
from dialbench.watch.log.views import LogFacts, LogSays
from dialbench.watch.model import LiveState
from dialbench.watch.page import Keys, Page
from dialbench.watch.which import chosen


class StoreTold(Message):
    """The store has been asked what it holds."""

    def __init__(self, told: Told) -> None:
        super().__init__()
        self.told = told


class StoreChecked(Message):
    """A check of the store is over."""

    def __init__(self, checked: Checked) -> None:
        super().__init__()
        self.checked = checked


class LogPage(Page):
    """What is on the board, what is in the store, and a pull on its way."""

    DEFAULT_CSS = """
    LogPage #log { height: 1fr; }
    LogPage LogFacts { width: 40; background: $surface; }
    LogPage LogSays { width: 1fr; }
    LogPage.-wide LogFacts { width: 46; }
    LogPage.-tall LogSays { margin: 1 1; }
    """
    label = "log"
    page_key = "4"
    keys: ClassVar[Keys] = [("c", "check the store"), ("up, down", "days")]
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("c", "check"),
        Binding("up", "move(-1)"),
        Binding("down", "move(1)"),
    ]
    about = (
        "What is on the board, how it is set up and what it says of its storage; a pull with its "
        "rate; what the store holds of it: pages and gaps, days with their direct sun, and for "
        "how much of it the clock is known. A check looks at every page in the store."
    )

    facts: ClassVar[Mapping[str, str]] = {
        "Title": "watch:dial.name watch:dial.site watch:why_unobserved watch:counts",
        "LogSays": (
            "watch:link.lost watch:link.board.trouble pull:unsealed check:findings[].sentence"
            " clock:sentences check:holds[].days[].day check:holds[].zone check:boards check:sound"
        ),
        "sun h": "check:holds[].days[].sun_s",
        "crossings": "check:holds[].days[].crossings",
        "day": "check:holds[].days[].day",
        "board": "watch:link.board.uid",
        "firmware": "watch:link.board.firmware",
        "logging": "watch:link.board.trouble",
        "board pages": "watch:log.first_page watch:log.next_page",
        "to be pulled": "watch:log.pages_in_store watch:log.next_page",
        "open, memory": "watch:log.open_records watch:log.free_bytes",
        "overflow,torn": "watch:log.overflow_records watch:log.torn_pages",
        "retired,blind": "watch:log.retired_pages watch:log.blind_ms",
        "settings": "check:holds[].told.setup",
        "scan, store": "check:holds[].told.setup.scan_ms check:holds[].told.setup.commit_s",
        "thresholds": "check:holds[].told.setup.thresholds",
        "storage": "check:holds[].told.setup.storage check:holds[].told.setup.storage_bytes",
        "writes": "check:holds[].told.health.failed_writes check:holds[].told.health.erases",
        "pull": "watch:pulling pull:pages_pulled pull:bytes_pulled pull:pages_lacking",
        "rate": "pull:bytes_pulled pull:seconds",
        "store": "check:path",
        "stored pages": ("check:holds[].first_page check:holds[].last_page check:holds[].pages"),
        "gaps": "check:holds[].gaps",
        "boots": "check:holds[].boots check:holds[].dark_boots",
        "direct sun": "check:holds[].observed_s check:holds[].days",
        "clock known": "check:holds[].covered_s check:holds[].clock_s",
        "drift": "clock:boots[].drift_ppm clock:boots[].drift_sigma_ppm",
    }

    def __init__(self, desk: Desk, contents: Sequence[tuple[str, str]], common: Keys) -> None:
        super().__init__(desk, contents, common)
        self._uid: str | None = None
        self._pull: Progress | None = None
        self._told: Told | None = None
        self._checked: Checked | None = None
        self._stale = True  # the store may hold more than what it was asked last
        self._asking = False

    def body(self) -> Iterable[Widget]:
        with Horizontal(id="log"):
            yield LogFacts(self.desk.blocks, self.desk.store_path.name)
            yield LogSays(self.desk.blocks)

    def hear(self, event: Event) -> None:
        self._pull = followed(self._pull, event, self.desk.monotonic_s())
        if isinstance(event, Connected):
            self._uid, self._stale = event.uid, True
        if isinstance(event, Pulled):
            self._stale = True

    def show(self, live: LiveState) -> None:
        super().show(live)
        if self._stale and not self._asking:
            self._stale, self._asking = False, True
            uid = self._uid
            self.run_worker(lambda: self._ask(uid), thread=True)
        for facts in self.query(LogFacts):
            facts.show(live, self._pull, self._told)
        for says in self.query(LogSays):
            says.show(live, self._pull, self._told, self._checked)

    def _ask(self, uid: str | None) -> None:
        self.post_message(StoreTold(told_by(self.desk, uid)))

    def on_store_told(self, message: StoreTold) -> None:
        self._told, self._asking = message.told, False

    def action_check(self) -> None:
        if self._checked is None or self._checked.sound is not None:
            self._checked = Checked()
            self.run_worker(self._check, thread=True)

    def _check(self) -> None:
        self.post_message(StoreChecked(checked(self.desk)))

    def on_store_checked(self, message: StoreChecked) -> None:
        self._checked = message.checked

    def action_move(self, rows: int) -> None:
        self.query_one(LogSays).move(rows)


def told_by(desk: Desk, uid: str | None) -> Told:
    """What the store holds of the board uid, or of this dial's."""
    if not desk.store_path.exists():
        return Told(None, None, 0, "There is no store yet: the first pull makes one.")
    try:
        with Store.look(desk.store_path) as store:
            boards = store.boards()
            board = chosen(boards, uid, desk.dial)
            if board is None:
                why = "The store holds nothing of this dial's board yet: p pulls its log."
                return Told(None, None, len(boards), why)
            return Told(holdings(store, board), drift(store, board.uid), len(boards) - 1)
    except UserError as error:
        return Told(None, None, 0, str(error))


def checked(desk: Desk) -> Checked:
    """Everything in the store looked at, as dialbench check does."""
    try:
        found = check(desk.store_path)
    except UserError as error:
        return Checked((str(error),), False)
    how = "is sound" if found.sound else "is not all well"
    told = [f"The store {how}: {found.pages} pages were looked at."]
    return Checked((*told, *(finding.sentence for finding in found.findings)), found.sound)
