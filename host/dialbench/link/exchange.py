"""Requests and answers over a line that may lose, double, bend and add bytes."""

from __future__ import annotations

import secrets
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

from dialbench.link.errors import Refused, Silence
from dialbench.link.facts import Live, text_of
from dialbench.link.transport import Line
from dialcore import framing, messages

ANSWER_S = 1.0  # how long a request may stay without an answer, or without its next page
RETRIES = 3
LIVE_KEPT = 64
PAGES_KEPT = 64  # of one FETCH: twice what it may ask for, as a line may double frames

_NAMES = {
    messages.HELLO: "HELLO",
    messages.STATUS: "STATUS",
    messages.MARK: "MARK",
    messages.FETCH: "FETCH",
    messages.SEAL: "SEAL",
    messages.STREAM: "STREAM",
    messages.RELEASE: "RELEASE",
}


@dataclass
class Health:
    """What a line has done so far.

    bytes_in: bytes received. bad_frames: frames that came damaged. good_frames: those that
    did not. unasked: good frames nobody waited for, such as late or doubled answers.
    unanswered: requests that brought nothing. bad_pages: pages whose CRC did not hold within
    a frame whose CRC did. live_dropped: looks that gave way to newer ones.
    """

    bytes_in: int = 0
    bad_frames: int = 0
    good_frames: int = 0
    unasked: int = 0
    unanswered: int = 0
    bad_pages: int = 0
    live_dropped: int = 0


class Instant(NamedTuple):
    """One moment on two clocks: seconds of one that never steps, and UTC microseconds."""

    s: float
    utc_us: int


@dataclass(frozen=True)
class Answer:
    """What one sending of a request brought; payload is None where pages came and then no
    answer."""

    payload: bytes | None
    pages: tuple[bytes, ...]
    sent: Instant
    received: Instant


class Exchange:
    """One request at a time over a line; LIVE frames may come in between.

    now tells the time of sending and receiving. Not for several threads at once.
    """

    def __init__(self, line: Line, name: str, now: Callable[[], Instant]) -> None:
        self._line = line
        self._name = name
        self._now = now
        self._decoder = framing.Decoder()
        # Not always 0, lest an answer left over from an earlier host be taken for ours.
        self._sequence = secrets.randbelow(256)
        self._live: deque[Live] = deque()
        self.health = Health()

    def ask(self, kind: int, payload: bytes = b"") -> Answer:
        """Send a request until it is answered.

        Raises Refused; Silence after RETRIES repetitions; LinkLost.
        """
        for _ in range(1 + RETRIES):
            answer = self._once(kind, payload)
            if answer is not None:
                return answer
            self.health.unanswered += 1
        raise Silence(
            f"the board at {self._name} no longer answers ({_NAMES[kind]} was sent"
            f" {1 + RETRIES} times): check its cable and its power"
        )

    def _once(self, kind: int, payload: bytes) -> Answer | None:
        self._sequence = sequence = (self._sequence + 1) & 255
        found: bytes | None = None
        pages: list[bytes] = []
        sent = self._now()
        self._line.send(framing.encode(messages.body(kind, sequence, payload)))
        until_s = sent.s + ANSWER_S
        while found is None and self._now().s < until_s:
            for got, echoed, told in self._received():
                if echoed != sequence or found is not None:
                    self.health.unasked += 1
                elif got == messages.REFUSED:
                    raise Refused(
                        f"the board at {self._name} refuses {_NAMES[kind]}: {text_of(told[1:])}"
                    )
                elif got == kind | messages.ANSWER:
                    found = told
                elif got == messages.PAGE and kind == messages.FETCH and len(pages) < PAGES_KEPT:
                    pages.append(told)
                    until_s = self._now().s + ANSWER_S
                else:
                    self.health.unasked += 1
        if found is None and not pages:
            return None
        return Answer(found, tuple(pages), sent, self._now())

    def live(self, timeout_s: float) -> Live | None:
        """The oldest look still kept, or the next to come; None after timeout_s without."""
        until_s = self._now().s + timeout_s
        while not self._live:
            self.health.unasked += len(self._received())
            if self._now().s >= until_s:
                break
        return self._live.popleft() if self._live else None

    def _received(self) -> list[tuple[int, int, bytes]]:
        """(type, sequence, payload) of the good frames that came, less the LIVE ones."""
        data = self._line.receive()
        out = []
        for body in self._decoder.received(data):
            if len(body) < 2:
                self.health.bad_frames += 1
                continue
            self.health.good_frames += 1
            if body[0] == messages.LIVE:
                self._keep(body[2:])
            else:
                out.append((body[0], body[1], body[2:]))
        self.health.bytes_in += len(data)
        self.health.bad_frames += self._decoder.bad
        self._decoder.bad = 0
        return out

    def _keep(self, payload: bytes) -> None:
        try:
            look = Live.read(payload)
        except ValueError:
            self.health.bad_frames += 1
            return
        if len(self._live) == LIVE_KEPT:
            self._live.popleft()
            self.health.live_dropped += 1
        self._live.append(look)
