"""What the board's lamp shows: one long blink in two seconds while there is sun, one short
blink in four without, and quick blinking for trouble (a bad configuration, a supply too weak to
write, records being lost)."""

from dialcore.compat import const

TROUBLE = const(0)
NO_SUN = const(1)
SUN = const(2)


def lit(state, now_ms):
    """Whether the lamp is on in that state. Allocates nothing."""
    if state == TROUBLE:
        return now_ms & 255 < 128
    if state == SUN:
        return now_ms & 2047 < 1024
    return now_ms & 4095 < 64
