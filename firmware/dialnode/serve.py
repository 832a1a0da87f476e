"""Answers the host: one request at a time, in small steps between scans."""

from dialcore import framing, messages, records

_RESEAL_MS = 10000


class Serve:
    """What the node says over its link. scan and trace are None where the configuration is bad."""

    def __init__(self, board, clock, log, scan, trace, config, trouble, version):
        self._board = board
        self._clock = clock
        self._log = log
        self._scan = scan
        self._trace = trace
        self._hash = config.dial_hash if config else bytes(8)
        self._trouble = trouble
        self._config = config
        self._version = version
        self._decoder = framing.Decoder()
        self._input = bytearray(256)
        self._out = b""
        self._fetches = []  # each [sequence, next page, one past the last, pages sent]
        self._session = 0  # of the host that is being served; 0: none
        self._since = self._heard = 0  # offsets of the session's first and last request
        self._period = 0  # of the stream; 0 is off
        self._due = 0
        self._dropped = 0
        self._sealed = -_RESEAL_MS
        self.flowing = False  # the line took some of what was to be sent
        self.released = False
        self._requests = {
            messages.HELLO: self._hello,
            messages.STATUS: self._status,
            messages.MARK: self._mark,
            messages.FETCH: self._start_fetch,
            messages.SEAL: self._seal,
            messages.STREAM: self._stream,
            messages.RELEASE: self._release,
            messages.BYE: self._bye,
            messages.TRACE: self._start_trace,
            messages.PROBE: self._probe,
            messages.CHECK: self._check,
        }

    @property
    def busy(self):
        """Whether something waits to be sent."""
        return bool(self._out or self._fetches)

    def rebase(self, shift_ms):
        """The clock's epoch moved later by shift_ms."""
        self._due -= shift_ms
        self._sealed -= shift_ms
        self._since -= shift_ms
        self._heard -= shift_ms

    def step(self):
        """Take what has come, send what can go."""
        self.flowing = False
        # A host that asks and does not read is not heard until it does.
        size = 0 if len(self._out) > framing.MAX_BODY else self._board.link_read(self._input)
        if size:
            for body in self._decoder.received(self._input[:size]):
                if len(body) >= 2:
                    self._request(*messages.split(body))
                else:
                    self._decoder.bad += 1
        if self._out:
            self._push()
        elif self._fetches:
            self._next_page(self._fetches[0])
        if self._period and self._clock.offset_ms >= self._due:
            self._due = self._clock.offset_ms + self._period
            self._live()
        if self._trace is not None and self._trace.waiting:
            self._traced()

    def _send(self, kind, sequence, payload=b""):
        self._out += framing.encode(messages.body(kind, sequence, payload, self._session))
        self._push()

    def _push(self):
        sent = self._board.link_write(self._out)
        self._out = self._out[sent:]
        self.flowing = sent > 0

    def _request(self, kind, sequence, session, payload):
        handler = self._requests.get(kind)
        if handler is None:
            self._refuse(sequence, messages.UNKNOWN_REQUEST, "request %d is not known" % kind)
            return
        if kind != messages.HELLO:
            if not session or session != self._session:
                if kind == messages.BYE:
                    return  # it waits for no answer, and another host might take it for its own
                self._refuse(sequence, messages.NO_SESSION, "say HELLO first")
                return
            self._heard = self._clock.offset_ms
        try:
            handler(sequence, payload)
        except ValueError as wrong:
            self._refuse(sequence, messages.BAD_REQUEST, str(wrong))

    def _refuse(self, sequence, code, text):
        self._send(messages.REFUSED, sequence, bytes((code,)) + text.encode()[:80])

    def _answer(self, kind, sequence, payload=b""):
        self._send(kind | messages.ANSWER, sequence, payload)

    def _hello(self, sequence, payload):
        lowest, highest, session, alone = messages.unpack_ask_hello(payload)
        if not lowest <= messages.PROTOCOL <= highest:
            self._refuse(
                sequence,
                messages.NO_COMMON_VERSION,
                "this board speaks protocol %d" % messages.PROTOCOL,
            )
            return
        if not session:
            raise ValueError("HELLO names a session")
        now = self._clock.offset_ms
        if session != self._session:
            silent = now - self._heard
            if self._session and not alone and silent < messages.SESSION_MS:
                self._refuse(
                    sequence,
                    messages.BUSY,
                    "another program has talked to this board for %d s, last %d s ago"
                    % ((now - self._since) // 1000, silent // 1000),
                )
                return
            self._since = now
        self._bye(0, b"")  # stream and pages belong to the host that asked for them
        self._session = session
        self._heard = now
        board = self._board
        self._answer(
            messages.HELLO,
            sequence,
            messages.pack_hello(
                self._scan.watcher.channels if self._scan else 0,
                board.boot,
                self._clock.now_ms(),
                board.uid,
                self._hash,
                board.heap_bytes(),
                self._version,
                board.runtime(),
                self._trouble,
            ),
        )

    def _status(self, sequence, _payload):
        log = self._log
        scan = self._scan
        self._answer(
            messages.STATUS,
            sequence,
            messages.pack_status(
                self._board.boot,
                self._clock.now_ms(),
                log.first_page,
                log.next_page,
                log.first_page,
                log.torn,
                log.overflow,
                self._decoder.bad,
                scan.blind_ms if scan else 0,
                scan.scans if scan else 0,
                log.open_records,
                scan.watcher.gate if scan else 0,
                scan.watcher.channels if scan else 0,
                self._board.heap_free(),
            ),
        )

    def _mark(self, sequence, payload):
        boot, device_ms, utc_us, sigma_us = messages.unpack_mark(payload)
        if boot != self._board.boot:
            raise ValueError("mark of boot %d, this is boot %d" % (boot, self._board.boot))
        self._log.record(records.MARK, records.pack_mark(device_ms, utc_us, sigma_us))
        self._clock.know(device_ms, utc_us)
        self._answer(messages.MARK, sequence)

    def _start_fetch(self, sequence, payload):
        first, count = messages.unpack_fetch(payload)
        if len(self._fetches) == messages.FETCHES:
            self._fetches.pop(0)  # the host has given it up, or would not ask for one more
        self._fetches.append([sequence, first, first + min(count, messages.FETCH_PAGES), 0])

    def _next_page(self, fetch):
        sequence, number, stop, sent = fetch
        number = max(number, self._log.first_page)
        if number >= min(stop, self._log.next_page):
            self._fetches.pop(0)
            self._answer(messages.FETCH, sequence, messages.pack_fetch(number, sent))
            return
        page = self._log.read(number)
        fetch[1:] = (number + 1, stop, sent + (page is not None))
        if page is not None:
            self._send(messages.PAGE, sequence, messages.pack_number(number) + page)

    def _seal(self, sequence, _payload):
        # Sealing costs a page: what nothing has been added to is not sealed again at once.
        now = self._clock.offset_ms
        if self._log.open_records or now - self._sealed >= _RESEAL_MS:
            self._sealed = now
            if self._scan:
                self._scan.snapshot()
        if self._log.seal():
            self._answer(messages.SEAL, sequence, messages.pack_number(self._log.next_page))
        else:
            self._refuse(sequence, messages.STORAGE_FAULT, "the storage takes no page")

    def _stream(self, sequence, payload):
        if len(payload) < 2:
            raise ValueError("STREAM names a period")
        self._period = payload[0] | payload[1] << 8
        self._due = self._clock.offset_ms
        self._answer(messages.STREAM, sequence)

    def _start_trace(self, sequence, payload):
        if len(payload) < 2:
            raise ValueError("TRACE names a period")
        if self._trace is None:
            raise ValueError("this board does not scan")
        self._trace.begin(payload[0] | payload[1] << 8)
        self._answer(messages.TRACE, sequence)

    # What examines is loaded when it is first wanted: a board of 96 KiB has no memory to spare.

    def _probe(self, sequence, payload):
        from dialnode import examine

        self._answer(messages.PROBE, sequence, examine.probe(self._board, payload))

    def _check(self, sequence, _payload):
        from dialnode import examine

        told = examine.check(self._board, self._log, self._scan, self._config)
        self._answer(messages.CHECK, sequence, told)

    def _release(self, sequence, _payload):
        if not self._log.seal():
            self._refuse(sequence, messages.STORAGE_FAULT, "the storage takes no page")
            return
        self._answer(messages.RELEASE, sequence)
        self._bye(0, b"")
        self.released = True

    def _bye(self, _sequence, _payload):
        self._session = 0
        self._period = 0
        self._fetches = []
        if self._trace is not None:
            self._trace.begin(0)

    def _traced(self):
        if self._out:
            self._trace.drop()  # as with LIVE
        else:
            self._send(messages.TRACED, 0, self._trace.taken(self._board.boot))

    def _live(self):
        scan = self._scan
        if scan is None:
            return
        if self._out:
            # The host reads too slowly: newest news later beats old news queued.
            self._dropped = (self._dropped + 1) & 0xFFFF
            return
        scan.watcher.levels(scan.levels)
        self._send(
            messages.LIVE,
            0,
            messages.pack_live(
                self._board.boot,
                self._clock.now_ms(),
                scan.watcher.gate,
                scan.watcher.channels,
                scan.direct(),
                self._dropped,
                bytes(scan.levels),
            ),
        )
