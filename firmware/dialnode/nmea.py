"""What a satellite receiver says: sentences of NMEA 0183, of which RMC tells UTC.

A sentence is $ talker and type, fields between commas, * and two hex digits, which are all
bytes between $ and * combined by exclusive or; 82 characters at most with both line ends
(NMEA 0183, from memory).
"""

from dialcore.compat import const
from dialnode import utc

_LONGEST = const(82)
_START = const(0x24)  # $
_END = const(0x0A)


class Sentences:
    """Takes bytes as they come; tells UTC after each RMC sentence that holds."""

    def __init__(self):
        self._line = bytearray(_LONGEST)
        self._size = -1  # no sentence has begun
        self.bad = 0

    @property
    def begun(self):
        """Whether a sentence has begun and not ended."""
        return self._size >= 0

    def heard(self, byte):
        """(Unix seconds, milliseconds) when byte ends a good RMC sentence, else None."""
        if byte == _START:
            self._size = 0
            return None
        if self._size < 0:
            return None
        if byte == _END:
            size = self._size
            self._size = -1
            try:
                return _utc(bytes(self._line[:size]))
            except ValueError:
                self.bad += 1
                return None
        if self._size == _LONGEST:
            self._size = -1
            self.bad += 1
            return None
        self._line[self._size] = byte
        self._size += 1
        return None


def _utc(line):
    """What one sentence without its $ says: None for another kind or for no fix."""
    body, star, told = line.rstrip().partition(b"*")
    check = 0
    for byte in body:
        check ^= byte
    if not star or len(told) != 2 or int(told, 16) != check:
        raise ValueError("the sentence's sum does not hold")
    fields = body.split(b",")
    if fields[0][2:] != b"RMC":
        return None
    if len(fields) < 10:
        raise ValueError("RMC with too few fields")
    if fields[2] != b"A":
        return None  # the receiver itself does not vouch for it
    time, date = fields[1], fields[9]
    if len(date) != 6 or len(time) < 6:
        raise ValueError("RMC without date and time")
    whole = utc.seconds(
        2000 + _digits(date[4:]),
        _digits(date[2:4]),
        _digits(date[:2]),
        _digits(time[:2]),
        _digits(time[2:4]),
        _digits(time[4:6]),
    )
    part = time[6:10]
    if part and part[:1] != b".":
        raise ValueError("RMC with a time that is none")
    return whole, _digits((part[1:] + b"000")[:3])


def _digits(text):
    for byte in text:
        if not 48 <= byte <= 57:
            raise ValueError("digits expected")
    return int(text)
