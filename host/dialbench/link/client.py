"""A board at the far end of a line, with what it can be asked."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from typing import Protocol, Self, TypeVar

from dialbench.clock import Mark
from dialbench.errors import inert
from dialbench.link import prompt, window
from dialbench.link.errors import (
    AtPrompt,
    Busy,
    LinkError,
    LinkLost,
    NoAnswer,
    Refused,
    Silence,
)
from dialbench.link.exchange import Exchange, Health, Instant, Request
from dialbench.link.facts import Check, Fetched, Hello, Live, Look, Status, Traced
from dialbench.link.pull import Progress, Pulled, pull
from dialbench.link.transport import Line, open_line
from dialbench.store import Store
from dialcore import examining, messages, records

_MARK_LOOKS = 8
_COUNT_US = 500  # half the millisecond that the device's count cannot tell
_SIGMA_MAX_US = 0xFFFFFFFF  # what a MARK can say

_Told = TypeVar("_Told")


class Clock(Protocol):
    """The UTC of the place the board lives in.

    speed: its seconds per second of the computer's; 1 for a real board.
    """

    @property
    def speed(self) -> float: ...
    def utc_us(self) -> int: ...


class Board:
    """An open link to one board; a context manager. For one thread at a time.

    Every method raises LinkError, one sentence, where the board refuses or answers
    nonsense, and its subclass LinkLost where the board is gone or has fallen silent.
    """

    def __init__(
        self, line: Line, name: str, clock: Clock, seconds: Callable[[], float] = time.monotonic
    ) -> None:
        self._line = line
        self.port = name
        self._met = False  # there is a session to be ended
        self._name = inert(name)
        self._clock = clock
        self._exchange = Exchange(line, self._name, lambda: Instant(seconds(), clock.utc_us()))
        try:
            self.hello = self._greet()
        except BaseException:
            self.close()
            raise

    @classmethod
    def open(cls, port: str, clock: Clock) -> Self:
        """Open port (a serial port's name, or socket://host:port) and greet the board there.

        Raises LinkError where the port is absent, busy or not permitted, where nothing
        answers, where what answers is no board, and where host and board have no
        protocol or page version in common.
        """
        return cls(open_line(port), port, clock)

    def close(self) -> None:
        """End the session, so that another program may have the board at once."""
        if self._met:
            with suppress(LinkError):
                self._exchange.tell(messages.BYE)
        self._met = False
        self._line.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @property
    def health(self) -> Health:
        """What the line has done so far."""
        return self._exchange.health

    def _greet(self) -> Hello:
        ask = messages.pack_ask_hello(self._exchange.session, self._line.alone)
        mine = f"this Dialbench speaks {messages.PROTOCOL}"
        try:
            hello = self._read(Hello.read, self._ask(messages.HELLO, ask).answer)
        except Silence:
            raise self._no_greeting() from None
        except Refused as refused:
            if refused.reason == messages.BUSY:
                raise Busy(
                    f"{refused}: end that program, or wait until it has been silent for"
                    f" {messages.SESSION_MS // 1000} s"
                ) from None
            raise LinkError(f"{refused}, and {mine}: update the older of the two") from None
        self._met = True
        if not hello.protocol_min <= messages.PROTOCOL <= hello.protocol_max:
            raise LinkError(
                f"the board at {self._name} speaks protocol {hello.protocol_min} to"
                f" {hello.protocol_max}, and {mine}: update the older of the two"
            )
        if hello.page_version != records.VERSION:
            raise LinkError(
                f"the board at {self._name} writes pages of version {hello.page_version}, and this"
                f" Dialbench reads version {records.VERSION}: update the older of the two"
            )
        return hello

    def _no_greeting(self) -> LinkError:
        if not self.health.good_frames and self._at_prompt():
            return AtPrompt(
                f"the board at {self._name} is at its prompt instead of running the firmware:"
                f" dialbench start {self._name}"
            )
        if not self.health.bytes_in:
            return NoAnswer(
                f"{self._name} answers nothing: is this the dial's port, and is its firmware"
                " running?"
            )
        if not self.health.good_frames:
            return NoAnswer(
                f"{self._name} talks, but not as a dial: is it another device, or a board at its"
                " prompt instead of running the firmware?"
            )
        return NoAnswer(
            f"{self._name} sends frames as a dial does, but does not answer: is another program"
            " talking to it, or is the port wired to itself?"
        )

    def _at_prompt(self) -> bool:
        """Whether what is there shows MicroPython's prompt when it is asked to."""
        exchange = self._exchange
        with suppress(LinkLost):
            for typed in prompt.QUESTIONS:
                self._line.send(typed)
                until_s = exchange.seconds() + prompt.PATIENCE_S
                while exchange.seconds() < until_s and not prompt.seen(exchange.stray):
                    exchange.take()
                if not prompt.unfinished(exchange.stray):
                    break
        return prompt.seen(exchange.stray)

    def status(self) -> Status:
        """The board's counters now."""
        return self._read(Status.read, self._ask(messages.STATUS).answer)

    def seal(self) -> int:
        """Have the board store what it has logged; return one past its newest page."""
        return int(self._read(messages.unpack_number, self._ask(messages.SEAL).answer))

    def mark(self) -> Mark:
        """Make a clock mark, and have the board log it.

        Of several looks at the board's clock the one with the shortest round trip counts,
        against the middle of it; its sigma is half that round trip, in the time the board
        lives in, and half a millisecond for the board's count. (The count lags by half a
        millisecond in the mean; so it does in every record, and nothing is taken off.)
        """
        looks = []
        for _ in range(_MARK_LOOKS):
            told = self._ask(messages.STATUS)
            status = self._read(Status.read, told.answer)
            received = told.received or told.sent
            trip_us = received.utc_us - told.sent.utc_us
            # A clock that moves in steps may have stood still meanwhile.
            waited_us = 1e6 * (received.s - told.sent.s) * self._clock.speed
            looks.append((max(trip_us, round(waited_us)), status, told.sent.utc_us + trip_us // 2))
        trip_us, status, utc_us = min(looks, key=lambda look: look[0])
        sigma_us = min((trip_us + 1) // 2 + _COUNT_US, _SIGMA_MAX_US)
        self._ask(
            messages.MARK, messages.pack_mark(status.boot, status.device_ms, utc_us, sigma_us)
        )
        return Mark(status.boot, status.device_ms, utc_us, sigma_us, "link")

    def fetch(self, batches: Iterable[range]) -> Iterator[Fetched]:
        """Ask for batches of page numbers, several under way at once; see link.window."""
        try:
            yield from window.fetch(self._exchange, batches)
        except ValueError as wrong:
            raise self._unreadable(wrong) from wrong

    def pull(self, store: Store, progress: Progress | None = None) -> Pulled:
        """Bring the store up to date with the board's log; see link.pull."""
        return pull(self, store, progress)

    def stream(self, period_ms: int) -> None:
        """Have the board send a look at its channels every period_ms (1 to 65535); 0 ends it."""
        self._ask(messages.STREAM, period_ms.to_bytes(2, "little"))

    def live(self, timeout_s: float) -> Live | None:
        """The next look at the channels; None if none comes within timeout_s.

        Looks that came while nobody asked wait, the newest few of them.
        """
        return self._exchange.live(timeout_s)

    def trace(self, period_ms: int) -> None:
        """Have the board send a look on the bench every period_ms (1 to 65535), one for a scan
        at most; 0 ends it. Raises Refused where its firmware cannot yet."""
        try:
            self._ask(messages.TRACE, period_ms.to_bytes(2, "little"))
        except Refused as refused:
            if refused.reason != messages.UNKNOWN_REQUEST:
                raise
            raise Refused(
                f"the firmware of the board at {self._name} ({self.hello.firmware}) is older than"
                " live traces: put the newer one on it; or have it log its sweep, pull that, and"
                " work it out with dialbench aperture",
                refused.reason,
            ) from None

    def traced(self, timeout_s: float) -> Traced | None:
        """The next look on the bench; as live() otherwise."""
        return self._exchange.traced(timeout_s)

    def probe(self, before: int, root: int, leaf: int, looks: int) -> Look:
        """A place of the multiplexers, read so many times (1 to 32); before: the root's input
        that is read first, or examining.NO_TAP. Raises Refused where its firmware cannot yet."""
        payload = examining.pack_ask_probe(before, root, leaf, looks)
        return self._read(Look.read, self._examined(messages.PROBE, payload))

    def check(self) -> Check:
        """How the board's parts do; raises as probe()."""
        return self._read(Check.read, self._examined(messages.CHECK))

    def _examined(self, kind: int, payload: bytes = b"") -> bytes | None:
        try:
            return self._ask(kind, payload).answer
        except Refused as refused:
            if refused.reason != messages.UNKNOWN_REQUEST:
                raise
            raise Refused(
                f"the firmware of the board at {self._name} ({self.hello.firmware}) is older than"
                " self-tests: put the newer one on it",
                refused.reason,
            ) from None

    def release(self) -> None:
        """Have the board store its log and hand the port back to its prompt; then close."""
        self._ask(messages.RELEASE)
        self._met = False
        self.close()

    def _ask(self, kind: int, payload: bytes = b"") -> Request:
        return self._exchange.ask(kind, payload)

    def _read(self, read: Callable[[bytes], _Told], payload: bytes | None) -> _Told:
        try:
            return read(payload or b"")
        except ValueError as wrong:
            raise self._unreadable(wrong) from wrong

    def _unreadable(self, wrong: ValueError) -> LinkError:
        return LinkError(
            f"the board at {self._name} answers what this Dialbench cannot read ({wrong}):"
            " update the older of the two"
        )
