"""How the log page is painted: facts on the left, sentences and days on the right."""

from __future__ import annotations

from dialbench.holdings import Day
from dialbench.watch.log.model import Checked, Progress, Told, says, sections
from dialbench.watch.model import LiveState
from dialbench.watch.painted import Painted, Rows
from dialbench.watch.roll import Roll, paragraph
from dialbench.watch.views import section_rows

_BAR = 8  # characters of a day's bar at least


class LogFacts(Painted):
    """Board, pull and store, a label and a value a row."""

    def __init__(self, blocks: bool, store: str) -> None:
        super().__init__(blocks)
        self._store = store
        self._live: LiveState | None = None
        self._pull: Progress | None = None
        self._told: Told | None = None

    def show(self, live: LiveState, pull: Progress | None, told: Told | None) -> None:
        """Paint what is known now."""
        self._live, self._pull, self._told = live, pull, told
        self.update()

    def rows(self, width: int, height: int) -> Rows:
        if self._live is None:
            return []
        shown = sections(self._live, self._pull, self._told, self._store)
        return section_rows(shown, height)


class LogSays(Roll):
    """Sentences, then day by day how much direct sun was logged."""

    def __init__(self, blocks: bool) -> None:
        super().__init__(blocks)
        self._sentences: list[str] = []
        self._days: tuple[Day, ...] = ()
        self._zone = ""

    def show(
        self, live: LiveState, pull: Progress | None, told: Told | None, check: Checked | None
    ) -> None:
        """Paint what is known now."""
        self._sentences = says(live, pull, told, check)
        found = told.found if told else None
        self._days, self._zone = (found.days, found.zone) if found else ((), "")
        self.update()

    def content(self, width: int) -> Rows:
        rows: Rows = [row for text in self._sentences for row in paragraph(text, width)]
        if self._days:
            head = (f" {'day':10}", f" {'sun h':>6}", f" {'crossings':>9}")
            rows.append([*((text, "label") for text in head), (f"  {self._zone}", "quiet")])
        most_s = max((day.sun_s for day in self._days), default=0.0) or 1.0
        room = max(0, width - 31)
        full = "█" if self.blocks else "#"
        for day in reversed(self._days):
            bar = full * round(room * day.sun_s / most_s) if room >= _BAR else ""
            text = f" {day.day:10} {day.sun_s / 3600:6.2f} {day.crossings:9}"
            rows.append([(text, "plain"), (f"  {bar}", "quiet")])
        return rows
