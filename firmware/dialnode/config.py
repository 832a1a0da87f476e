"""What the board is told about its dial: config.json beside the log.

A board with a bad configuration does not log, but still answers and says why.
"""

import json
import os
from binascii import unhexlify

from dialcore.crossing import ALL, LEAN, Calibration

MAX_BYTES = 16384
_RTC_S = 3600  # daily would do for drift; hourly a jump of the chip shows against the crystal


class Config:
    """Checked settings; attributes as the keys of config.json, but that `lean` gives the
    thresholds whose crossings are logged, as a set of bits.

    Of clocks, all may be left out: rtc ("ds3231") is the clock chip, nmea a satellite receiver
    with the latency_ms of its sentences and their sigma_ms, rtc_s how often they are read, tick
    ("rtc" or "nmea") whose 1 Hz is wired up.

    site may be left out: latitude_e4 and longitude_e4, in 1e-4 deg, positive north and east; a
    board that has it rests at night.

    sweep, for the bench, may be left out too: encoder ("as5600"), step in its counts, every_ms
    where there is no encoder.
    """

    def __init__(self, facts):
        self.dial_hash = unhexlify(_get(facts, "dial_hash", str))
        if len(self.dial_hash) != 8:
            raise ValueError("dial_hash: 16 hex digits expected")
        self.scan_ms = _number(facts, "scan_ms", 1, 60000)
        self.commit_s = _number(facts, "commit_s", 1, 86400)
        self.log_bytes = _number(facts, "log_bytes", 65536, 1 << 24)
        self.storage = facts.get("storage", "files")
        if self.storage not in ("files", "flash"):
            raise ValueError('storage: "files" or "flash" expected')
        lean = facts.get("lean", False)
        if not isinstance(lean, bool):
            raise ValueError("lean: true or false expected")
        self.thresholds = LEAN if lean else ALL
        self.calibration = Calibration(
            _whole(facts, "dark"),
            _whole(facts, "scale"),
            _number(facts, "sky_dark", 0, 65535),
            _number(facts, "shade_dark", 0, 65535),
            _number(facts, "shade_q10", 0, 8191),
            _number(facts, "gate_on", 1, 65535),
            _number(facts, "gate_off", 1, 65535),
        )
        self.rtc = _choice(facts, "rtc", ("ds3231",))
        self.rtc_s = _number(facts, "rtc_s", 60, 86400) if "rtc_s" in facts else _RTC_S
        nmea = facts.get("nmea")
        self.nmea = nmea is not None
        if self.nmea:
            if not isinstance(nmea, dict):
                raise ValueError("nmea: latency_ms and sigma_ms expected")
            self.nmea_latency_ms = _number(nmea, "latency_ms", 0, 2000)
            self.nmea_sigma_ms = _number(nmea, "sigma_ms", 1, 2000)
        self.tick = _choice(facts, "tick", ("rtc", "nmea"))
        if self.tick and not (self.rtc if self.tick == "rtc" else self.nmea):
            raise ValueError("tick: of %s, which is not set up" % self.tick)
        site = facts.get("site")
        self.site = site is not None
        if self.site:
            if not isinstance(site, dict):
                raise ValueError("site: latitude_e4 and longitude_e4 expected")
            self.latitude_e4 = _number(site, "latitude_e4", -900000, 900000)
            self.longitude_e4 = _number(site, "longitude_e4", -1800000, 1800000)
        sweep = facts.get("sweep")
        self.sweep = sweep is not None
        if self.sweep:
            if not isinstance(sweep, dict):
                raise ValueError("sweep: encoder and step expected, or every_ms")
            self.encoder = _choice(sweep, "encoder", ("as5600",))
            self.step = _number(sweep, "step", 1, 2048) if "step" in sweep else 1
            self.every_ms = _number(sweep, "every_ms", 1, 3600000) if "every_ms" in sweep else 1000


def _get(facts, key, kind):
    value = facts.get(key)
    if not _is(value, kind):
        raise ValueError("%s: missing or of the wrong kind" % key)
    return value


def _is(value, kind):
    # To CPython, and not to MicroPython, true is a whole number.
    return isinstance(value, kind) and not isinstance(value, bool)


def _choice(facts, key, known):
    """The value under key if it is one of the known words; None where there is none."""
    value = facts.get(key)
    if value is not None and value not in known:
        raise ValueError("%s: %s expected, or nothing" % (key, " or ".join(known)))
    return value


def _whole(facts, key):
    values = _get(facts, key, list)
    for value in values:
        if not _is(value, int):
            raise ValueError("%s: whole numbers expected" % key)
    return values


def _number(facts, key, low, high):
    value = _get(facts, key, int)
    if not low <= value <= high:
        raise ValueError("%s: %d, possible is %d to %d" % (key, value, low, high))
    return value


def load(path):
    """(Config, "") or (None, a sentence that says what is wrong)."""
    try:
        if os.stat(path)[6] > MAX_BYTES:
            raise ValueError("longer than %d bytes" % MAX_BYTES)
        with open(path) as file:
            facts = json.load(file)
        if not isinstance(facts, dict):
            raise ValueError("no object")
        return Config(facts), ""
    except OSError:
        return None, "no config.json on the board"
    except (ValueError, TypeError) as wrong:
        return None, "config.json: %s" % wrong
    except (MemoryError, RuntimeError):
        return None, "config.json: too much or too deep to read"
