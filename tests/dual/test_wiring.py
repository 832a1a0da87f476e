"""The table of pins says nothing that cannot be."""

from dialcore import wiring

# GPIO of a Pico's header, by pin (Raspberry Pi Pico Datasheet, from memory).
HEADER = {1: 0, 2: 1, 4: 2, 5: 3, 6: 4, 7: 5, 9: 6, 10: 7, 11: 8, 12: 9, 14: 10, 15: 11, 16: 12}
HEADER.update({17: 13, 19: 14, 20: 15, 21: 16, 22: 17, 24: 18, 25: 19, 26: 20, 27: 21, 29: 22})
HEADER.update({31: 26, 32: 27, 34: 28})


def test_every_signal_has_a_pin_of_its_own():
    for board in (wiring.PICO, wiring.ESP32):
        assert len({row[0] for row in board}) == len(board)
        assert len({row[1] for row in board}) == len(board)
        for row in board:
            assert wiring.pin(board, row[0]) == row[1]
        assert wiring.pin(board, "nothing") == -1


def test_pins_of_a_pico_are_where_its_header_has_them():
    for _, gpio, place in wiring.PICO:
        assert HEADER.get(place, 29) == gpio
    for _, place in wiring.PICO_POWER:
        assert place not in HEADER


def test_pins_can_do_what_is_asked_of_them():
    # RP2040 Datasheet, GPIO functions: I2C0, SPI0 and UART0 come round every 4 or 8 pins.
    rank = (("SDA", 4, 0), ("SCL", 4, 1), ("NOR_MISO", 8, 0), ("NOR_SCK", 8, 2), ("NOR_MOSI", 8, 3))
    for signal, round_, place in rank:
        assert wiring.pin(wiring.PICO, signal) % round_ == place
    assert wiring.pin(wiring.PICO, "GPS_TX") in (0, 12, 16, 28)
    assert wiring.pin(wiring.PICO, "GPS_RX") == wiring.pin(wiring.PICO, "GPS_TX") + 1
    for signal in ("LIGHT", "SKY", "SHADE", "SUPPLY"):
        assert wiring.pin(wiring.PICO, signal) in (26, 27, 28, 29)
        assert wiring.pin(wiring.ESP32, signal) in range(32, 40)
    for signal, pin, _ in wiring.ESP32:  # those from 34 on are inputs alone; 6 to 11 its flash
        assert pin < 34 or signal in ("LIGHT", "SKY", "SHADE", "SUPPLY"), signal
        assert not 6 <= pin <= 11


def test_each_wrong_select_line_shows_on_the_ladder():
    taps = [wiring.ladder_tap(8, i) for i in range(16)]
    assert len(set(taps)) == 16 and 0 < min(taps) and max(taps) < wiring.LADDER_RESISTORS
    own = [wiring.ladder_tap(r, 0) for r in range(9, 16)]
    assert len(set(own)) == 7
    for bit in (1, 2, 4, 8):
        assert [taps[i | bit] for i in range(16)] != taps != [taps[i & ~bit] for i in range(16)]
    assert [wiring.ladder_tap(r, 0) for r in range(8)] == [0] * 8
    assert 0 < wiring.tap_counts(1) < wiring.tap_counts(16) < 65535


def test_places_of_channels():
    for c in range(wiring.CHANNELS):
        assert wiring.leaf_of(c) * wiring.INPUTS + wiring.input_of(c) == c
    assert [wiring.leaves(n) for n in (1, 16, 17, 128)] == [1, 1, 2, 8]
    assert wiring.leaf_of(wiring.CHANNELS - 1) < wiring.LEAVES <= wiring.LADDER_LEAF
