"""Requests and answers over a line that may lose, double, bend and add bytes."""

from __future__ import annotations

import secrets
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import NamedTuple, TypeVar

from dialbench.link.errors import Refused, SessionOver, Silence
from dialbench.link.facts import Live, Traced, text_of
from dialbench.link.transport import Line
from dialcore import framing, messages

ANSWER_S = 1.0  # how long a request may stay without an answer, or without its next page
RETRIES = 3
LIVE_KEPT = 64
PAGES_KEPT = 2 * messages.FETCH_PAGES  # of one FETCH: more than it brings, as lines double frames
_STRAY_KEPT = 64  # bytes of what was no frame
# To a board that is still starting, or at its prompt: stop the program, start anew.
_CONTROLS = {3, 4}
_SESSION_BYTES = range(5, 256)

_Look = TypeVar("_Look", Live, Traced)

_NAMES = {
    messages.HELLO: "HELLO",
    messages.STATUS: "STATUS",
    messages.MARK: "MARK",
    messages.FETCH: "FETCH",
    messages.SEAL: "SEAL",
    messages.STREAM: "STREAM",
    messages.RELEASE: "RELEASE",
    messages.TRACE: "TRACE",
}


@dataclass
class Health:
    """What a line has done so far.

    bytes_in: bytes received. bad_frames: frames that came damaged. good_frames: those that
    did not. unasked: good frames nobody waited for, such as late or doubled answers.
    unanswered: requests that brought nothing. bad_pages: pages whose CRC did not hold within
    a frame whose CRC did. live_dropped: looks of either kind that gave way to newer ones.
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


@dataclass
class Request:
    """One sending of a request, and what it has brought so far.

    answer: the payload, None while there is none. received: when it came. refusal: the payload
    of a REFUSED. heard_s: when the request was sent or last brought a page.
    """

    kind: int
    sent: Instant
    heard_s: float
    answer: bytes | None = None
    received: Instant | None = None
    refusal: bytes | None = None
    pages: list[bytes] = field(default_factory=list)

    @property
    def over(self) -> bool:
        return self.answer is not None or self.refusal is not None


class Exchange:
    """Requests over a line, each told from the others by its number; LIVE and TRACED frames
    may come in between. now tells the time of sending and receiving. Not for several threads at once.
    """

    def __init__(self, line: Line, name: str, now: Callable[[], Instant]) -> None:
        self._line = line
        self._name = name
        self._now = now
        self._decoder = framing.Decoder()
        # Not always 0, lest an answer left over from an earlier host be taken for ours.
        self._sequence = secrets.randbelow(256)
        self._waiting: dict[int, Request] = {}
        self._live: deque[Live] = deque()
        self._traced: deque[Traced] = deque()
        self.session = int.from_bytes(secrets.choice(_SESSION_BYTES) for _ in range(2))
        self.stray = b""  # the last that came before the first good frame
        self.health = Health()

    def seconds(self) -> float:
        """The clock that never steps."""
        return self._now().s

    def ask(self, kind: int, payload: bytes = b"") -> Request:
        """Send a request until it is answered; the request as answered.

        Raises Refused; SessionOver; Silence after RETRIES repetitions; LinkLost.
        """
        for _ in range(1 + RETRIES):
            request = self.post(kind, payload)
            while not request.over and self.seconds() < request.heard_s + ANSWER_S:
                self.take()
            self.forget(request)
            if request.over:
                self.check(request)
                return request
            self.health.unanswered += 1
        raise self.silence(kind)

    def post(self, kind: int, payload: bytes = b"") -> Request:
        """Send a request once and wait for nothing; take() brings in what it brings."""
        frame = self._frame(kind, payload)
        sent = self._now()
        request = self._waiting[self._sequence] = Request(kind, sent, sent.s)
        self._line.send(frame)
        return request

    def _frame(self, kind: int, payload: bytes) -> bytes:
        """The request's frame, under the next number."""
        while True:
            self._sequence = (self._sequence + 1) & 255
            body = messages.body(kind, self._sequence, payload, self.session)
            frame = framing.encode(body)
            if kind != messages.HELLO or not _CONTROLS.intersection(frame):
                return frame

    def forget(self, request: Request) -> None:
        """What still comes for the request comes too late."""
        self._waiting = {n: other for n, other in self._waiting.items() if other is not request}

    def tell(self, kind: int) -> None:
        """Send what gets no answer."""
        self._line.send(framing.encode(messages.body(kind, 0, b"", self.session)))

    def check(self, request: Request) -> None:
        """Raises Refused or SessionOver where the board refused the request."""
        if request.refusal is None:
            return
        reason = request.refusal[0] if request.refusal else 0
        if reason == messages.NO_SESSION:
            raise SessionOver(
                f"the board at {self._name} has started anew, or serves another program now:"
                " open it again"
            )
        what = _NAMES[request.kind]
        raise Refused(
            f"the board at {self._name} refuses {what}: {text_of(request.refusal[1:])}", reason
        )

    def silence(self, kind: int) -> Silence:
        """The error for a request that stayed without an answer."""
        return Silence(
            f"the board at {self._name} no longer answers ({_NAMES[kind]} was sent"
            f" {1 + RETRIES} times): check its cable and its power"
        )

    def live(self, timeout_s: float) -> Live | None:
        """The oldest look still kept, or the next to come; None after timeout_s without. 0 asks
        for those kept alone: the line is not listened to."""
        return self._next(self._live, timeout_s)

    def traced(self, timeout_s: float) -> Traced | None:
        """The same of looks on the bench."""
        return self._next(self._traced, timeout_s)

    def _next(self, looks: deque[_Look], timeout_s: float) -> _Look | None:
        until_s = self.seconds() + timeout_s
        while not looks and self.seconds() < until_s:
            self.take()
        return looks.popleft() if looks else None

    def take(self) -> None:
        """Receive once, and give each frame to whom it belongs."""
        data = self._line.receive()
        for body in self._decoder.received(data):
            if len(body) < 2:
                self.health.bad_frames += 1
                continue
            self.health.good_frames += 1
            self._route(*messages.split(body))
        if not self.health.good_frames:
            self.stray = (self.stray + data)[-_STRAY_KEPT:]
        self.health.bytes_in += len(data)
        self.health.bad_frames += self._decoder.bad
        self._decoder.bad = 0

    def _route(self, kind: int, sequence: int, session: int | None, payload: bytes) -> None:
        if session not in (None, self.session):
            self.health.unasked += 1  # for another program on the same line
        elif kind == messages.LIVE:
            self._keep(self._live, Live.read, payload)
        elif kind == messages.TRACED:
            self._keep(self._traced, Traced.read, payload)
        else:
            request = self._waiting.get(sequence)
            if request is None or request.over or not self._given(request, kind, payload):
                self.health.unasked += 1

    def _given(self, request: Request, kind: int, payload: bytes) -> bool:
        """Give what came to its request; False if it does not belong there."""
        now = self._now()
        if kind == request.kind | messages.ANSWER:
            request.answer, request.received = payload, now
        elif kind == messages.REFUSED and not _for_another(request, payload):
            request.refusal = payload
        elif (
            kind == messages.PAGE
            and request.kind == messages.FETCH
            and len(request.pages) < PAGES_KEPT
        ):
            request.pages.append(payload)
        else:
            return False
        request.heard_s = now.s
        return True

    def _keep(self, looks: deque[_Look], read: Callable[[bytes], _Look], payload: bytes) -> None:
        try:
            look = read(payload)
        except ValueError:
            self.health.bad_frames += 1
            return
        if len(looks) == LIVE_KEPT:
            looks.popleft()
            self.health.live_dropped += 1
        looks.append(look)


def _for_another(request: Request, refusal: bytes) -> bool:
    """Whether a refusal, which names no session, is the one of another program's HELLO."""
    return request.kind != messages.HELLO and refusal[:1] == bytes((messages.BUSY,))
