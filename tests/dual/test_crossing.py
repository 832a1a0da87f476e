"""The crossing state machine: times, hysteresis, gate, and no allocation."""

from array import array

from dialcore.crossing import Calibration, Crossings

try:
    import micropython

    heap_lock = micropython.heap_lock
    heap_unlock = micropython.heap_unlock
except (ImportError, AttributeError):  # CPython has no heap to lock: only the result is checked

    def heap_lock():
        pass

    heap_unlock = heap_lock

DIRECT = 40000


def calibration(channels):
    return Calibration([100] * channels, [1024] * channels, 50, 50, 1280, 6100, 5900)


def counts(lit, direct=DIRECT, diffuse=3000):
    return array(
        "H",
        [50 + int(direct + diffuse), 50 + int(diffuse * 0.8)]
        + [100 + int(direct * f) for f in lit],
    )


class Log:
    def __init__(self):
        self.seen = []

    def crossing(self, channel, threshold, rise, at):
        self.seen.append((channel, threshold, rise, at))


def test_a_ramp_is_timed_at_the_thresholds_both_ways():
    log = Log()
    watcher = Crossings(calibration(1), log.crossing)
    for second in range(501):
        up = (second - 100) / 150
        down = 1 - (second - 300) / 80
        lit = max(0.0, min(1.0, up, down))
        watcher.scan(counts([lit]), second * 1000)
    expected = [
        (0, 1, 137500),
        (1, 1, 175000),
        (2, 1, 212500),
        (2, 0, 320000),
        (1, 0, 340000),
        (0, 0, 360000),
    ]
    assert len(log.seen) == 6
    for (channel, threshold, rise, at), (k, way, time) in zip(log.seen, expected):
        assert (channel, threshold, rise) == (0, k, way)
        assert abs(at - time) <= 600, (at, time)


def test_noise_in_the_band_makes_no_second_crossing():
    log = Log()
    watcher = Crossings(calibration(1), log.crossing)
    for i in range(400):
        watcher.scan(counts([0.4 + i / 2000 + (0.02 if i & 1 else -0.02)]), i * 1000)
    assert [s[1:3] for s in log.seen] == [(1, 1)]
    assert abs(log.seen[0][3] - 200000) <= 3000


def test_a_leap_over_several_bands_reports_each():
    log = Log()
    watcher = Crossings(calibration(2), log.crossing)
    watcher.scan(counts([0.0, 1.0]), 0)
    watcher.scan(counts([1.0, 0.0]), 1000)
    assert [s[:3] for s in log.seen] == [
        (0, 0, 1),
        (0, 1, 1),
        (0, 2, 1),
        (1, 0, 0),
        (1, 1, 0),
        (1, 2, 0),
    ]
    assert all(s[3] == 500 for s in log.seen)


def test_bright_overcast_is_not_direct_sun():
    log = Log()
    watcher = Crossings(calibration(1), log.crossing)
    watcher.scan(counts([0.0], direct=0, diffuse=30000), 0)
    assert watcher.gate == 0
    watcher.scan(counts([0.0], direct=7000, diffuse=2000), 1000)
    assert watcher.gate == 1 and watcher.gate_moved


def test_what_happens_behind_a_cloud_is_not_a_crossing():
    log = Log()
    watcher = Crossings(calibration(1), log.crossing)
    watcher.scan(counts([0.0]), 0)
    watcher.scan(counts([0.0], direct=100), 1000)
    watcher.scan(counts([1.0], direct=100), 2000)
    watcher.scan(counts([1.0]), 3000)
    watcher.scan(counts([1.0]), 4000)
    assert log.seen == []
    out = bytearray(1)
    watcher.levels(out)
    assert out[0] == 3


def test_first_seen_inside_a_band_is_a_guess_and_set_right_if_it_was_wrong():
    log = Log()
    watcher = Crossings(calibration(2), log.crossing)
    out = bytearray(1)
    watcher.scan(counts([0.505, 0.495]), 0)
    watcher.levels(out)
    assert out[0] == 0b0110  # told at once: above the middle threshold, and below it
    watcher.scan(counts([0.6, 0.4]), 1000)
    assert log.seen == []  # both guesses were right
    watcher = Crossings(calibration(2), log.crossing)
    watcher.scan(counts([0.505, 0.495]), 0)
    watcher.scan(counts([0.4, 0.6]), 2000)
    assert log.seen == [(0, 1, 0, 1000), (1, 1, 1, 1000)]
    watcher.levels(out)
    assert out[0] == 0b1001
    watcher.scan(counts([0.4, 0.4]), 4000)
    assert log.seen[2:] == [(1, 1, 0, 3000)]


def test_rebase_moves_times_with_the_epoch():
    log = Log()
    watcher = Crossings(calibration(1), log.crossing)
    watcher.scan(counts([0.0]), 1000)
    watcher.scan(counts([0.5]), 2000)
    watcher.rebase(2000)
    watcher.scan(counts([1.0]), 1000)
    at = [s[3] for s in log.seen if s[1] == 1]
    assert at == [0]  # between the scans at -1000 and 1000


def test_calibration_refuses_what_would_overflow():
    for bad in (
        ([1], [0], 0, 0, 0, 1, 1),
        ([1], [8192], 0, 0, 0, 1, 1),
        ([1], [1, 2], 0, 0, 0, 1, 1),
        ([], [], 0, 0, 0, 1, 1),
        ([1], [1], 0, 0, 0, 1, 2),
        ([70000], [1], 0, 0, 0, 1, 1),
    ):
        try:
            Calibration(*bad)
        except ValueError:
            continue
        raise AssertionError(bad)


def _ignore(channel, threshold, rise, at):
    pass


def _locked_scans(scan, dark, light, half):
    heap_lock()
    try:
        scan(dark, 1000)
        scan(half, 2000)
        scan(light, 3000)
        scan(half, 4000)
        scan(dark, 5000)
        scan(light, 6000)
    finally:
        heap_unlock()


def test_a_scan_of_128_channels_allocates_nothing():
    watcher = Crossings(calibration(128), _ignore)
    dark = counts([0.0] * 128)
    half = counts([0.5] * 128)
    light = counts([1.0] * 128)
    watcher.scan(dark, 0)
    _locked_scans(watcher.scan, dark, light, half)
    out = bytearray(32)
    watcher.levels(out)
    assert out == b"\xff" * 32
