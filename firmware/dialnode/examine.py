"""What a host that tests the board asks: counts of any place of the tree, and how its parts do.

One answer keeps the scan waiting for a tenth of a second at most; what is longer than the
scan bears is written down as blind, as any pause is.
"""

import math

from dialcore import examining
from dialnode.ds3231 import Ds3231


def probe(board, payload):
    """PROBE's answer. Raises ValueError for a place that is none."""
    before, root, leaf, looks = examining.unpack_ask_probe(payload)
    if before == examining.NO_TAP:
        before = -1
    total = square = most = 0
    least = 65535
    first = board.probe(before, root, leaf)  # differences from it keep the squares small
    for _ in range(looks):
        counts = board.probe(before, root, leaf)
        away = counts - first
        total += away
        square += away * away
        least = min(least, counts)
        most = max(most, counts)
    variance = max(square / looks - (total / looks) ** 2, 0.0)
    spread = min(int(16 * math.sqrt(variance)), 65535)
    return examining.pack_probe(first + total // looks, spread, least, most)


def check(board, log, scan, config):
    """CHECK's answer; scan and config are None where the configuration is bad."""
    chip, chip_s = _chip(board, config and config.rtc)
    began = board.ticks_ms()
    if log.next_page > log.first_page:
        log.read(log.next_page - 1)
    read_ms = board.ticks_diff(board.ticks_ms(), began)
    sky, shade = scan.outside() if scan else (0, 0)
    return examining.pack_check(
        min(board.supply_mv(), 65535),
        board.settle_us,
        sky,
        shade,
        (examining.WEAK_SUPPLY if board.weak else 0)
        | (examining.TICK_WANTED if config and config.tick else 0),
        chip,
        chip_s,
        board.tick_count(),
        board.tick_ticks(),
        log.bad,
        log.erases,
        log.size_bytes,
        min(max(read_ms, 0), 65535),
    )


def _chip(board, expected):
    """(state, Unix seconds it shows, 0 where it shows none)."""
    chip = Ds3231(board)
    try:
        stopped = chip.stopped()
        return (examining.CHIP_STOOD if stopped else examining.CHIP_WELL), chip.utc_s()
    except OSError:
        return (examining.CHIP_MISSING if expected else examining.NO_CHIP), 0
    except ValueError:
        return examining.CHIP_NO_DATE, 0
