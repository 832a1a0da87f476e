"""The node: one plain cooperative loop around scan, log and link."""

from dialcore import records
from dialnode import config as configuration
from dialnode import lamp
from dialnode.clock import Clock
from dialnode.health import Health
from dialnode.pagelog import PageLog
from dialnode.scan import Scan
from dialnode.serve import Serve
from dialnode.trace import Trace

VERSION = "0.1.0"
_LOG_BYTES = 262144  # where the configuration cannot say
_COMMIT_S = 600


class _NoStorage:
    """Stands in for a storage that cannot be used, so that the board can say so."""

    kind = "none"
    first = next = torn = bad = erases = size_bytes = 0

    def append(self, page):
        raise OSError("no storage")

    def read(self, number):
        return None


class Node:
    def __init__(self, board):
        config, trouble = configuration.load(board.config_path)
        try:
            storage = board.storage(
                config.storage if config else "files", config.log_bytes if config else _LOG_BYTES
            )
        except (OSError, ValueError, MemoryError) as wrong:
            config, trouble = None, "the storage cannot be used: %s" % wrong
            storage = _NoStorage()
        board.setup(config)
        self._board = board
        self._clock = clock = Clock(board)
        self._log = log = PageLog(
            storage, clock, board.boot, 1000 * (config.commit_s if config else _COMMIT_S)
        )
        self._scan = self._health = self._sweep = self._trace = None
        if config:
            self._scan = Scan(board, clock, log, config)
            log.record(
                records.BOOT,
                records.pack_boot(config.dial_hash, self._scan.watcher.channels, 0, VERSION),
            )
            log.record(
                records.SETUP,
                records.pack_setup(
                    config.scan_ms,
                    config.commit_s,
                    config.thresholds,
                    storage.kind,
                    storage.size_bytes,
                ),
            )
            self._health = Health(board, clock, log, self._scan)
            encoder = None
            # What is not set up is not imported either: its memory is wanted elsewhere.
            if config.sweep:
                from dialnode.as5600 import As5600
                from dialnode.sweep import Sweep

                encoder = As5600(board) if config.encoder else None
            self._trace = Trace(clock, self._scan, encoder)
            if config.sweep:
                step = As5600.STEP * config.step
                self._sweep = Sweep(clock, log, self._scan, encoder, step, config.every_ms)
        self._night = None
        # A satellite receiver must be listened to, at night as well.
        if config and config.site and not config.nmea:
            from dialnode.night import Night

            self._night = Night(clock, config.latitude_e4, config.longitude_e4)
        self._sources = _sources(board, clock, log, config) if config else []
        self._serve = Serve(board, clock, log, self._scan, self._trace, config, trouble, VERSION)

    def run(self):
        """Until the board stops or a host asks for the prompt back."""
        board = self._board
        scan = self._scan
        health = self._health
        sweep = self._sweep
        trace = self._trace
        serve = self._serve
        night = self._night
        state = lamp.TROUBLE
        while board.running and not (serve.released and not serve.busy):
            if scan is None or health is None or trace is None:
                self._clock.tick()
                idle = True
            else:
                idle = not scan.take()
                if not idle:
                    if sweep is not None:
                        sweep.take()
                    trace.take()
                health.step()
                if board.weak != self._log.held:
                    if board.weak:
                        self._log.seal()
                    self._log.held = board.weak
                self._log.flush()
                if board.weak or self._log.broken:
                    state = lamp.TROUBLE
                else:
                    state = lamp.SUN if scan.watcher.gate else lamp.NO_SUN
            serve.step()
            soon = serve.busy
            for source in self._sources:
                source.step()
                soon = soon or source.listening
            shift = self._clock.rebase()
            if shift:
                self._log.rebase(shift)
                serve.rebase(shift)
                for source in self._sources:
                    source.rebase(shift)
                if scan is not None and health is not None and trace is not None:
                    scan.rebase(shift)
                    health.rebase(shift)
                    trace.rebase(shift)
                if sweep is not None:
                    sweep.rebase(shift)
                if night is not None:
                    night.rebase(shift)
            board.lamp(lamp.lit(state, self._clock.offset_ms))
            if idle and not (serve.busy and serve.flowing):
                if soon or night is None or not night.dark(self._gate()):
                    board.idle(soon)
                else:
                    board.rest()
        if serve.released:
            self._log.seal()  # what came while the line was slow to take the answer
        board.stop()

    def _gate(self):
        return self._scan is not None and self._scan.watcher.gate


def _sources(board, clock, log, config):
    """The clocks beside the board's own that the configuration names."""
    period_ms = 1000 * config.rtc_s
    found = []  # type: list
    if config.rtc:
        from dialnode.ds3231 import Ds3231
        from dialnode.timesource import Chip

        found.append(Chip(Ds3231(board), board, clock, log, period_ms, config.tick == "rtc"))
    if config.nmea:
        from dialnode.nmea import Sentences
        from dialnode.timesource import Receiver

        found.append(
            Receiver(
                Sentences(),
                board,
                clock,
                log,
                period_ms,
                config.nmea_latency_ms,
                config.nmea_sigma_ms,
                config.tick == "nmea",
            )
        )
    return found
