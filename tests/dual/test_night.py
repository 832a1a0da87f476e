"""The board's night: known by its own Sun, never against the light; and what the lamp shows."""

from benchboard import BenchBoard, scratch, wipe
from dialcore import messages
from dialnode import lamp
from dialnode.clock import Clock
from dialnode.night import Night
from dialnode.node import Node

# On the equator at Greenwich near an equinox the Sun is up from 06:00 to 18:00 of a time that
# the equation of time puts 7 minutes off (2026-03-20, from memory).
MIDNIGHT_S = 1773964800
HOUR_MS = 3600000
SITE = {"latitude_e4": 0, "longitude_e4": 0}


class _Counter:
    now = 0

    def ticks_ms(self):
        return self.now & 0x3FFFFFFF

    def ticks_diff(self, later, earlier):
        return (later - earlier + 0x20000000 & 0x3FFFFFFF) - 0x20000000


def night(longitude_e4=0, latitude_e4=0, known=True):
    board = _Counter()
    clock = Clock(board)
    if known:
        clock.know(0, MIDNIGHT_S * 1000000)
    return board, clock, Night(clock, latitude_e4, longitude_e4)


def hours(board, clock, it, gate=False):
    dark = []
    for minute in range(0, 1440, 2):
        board.now = minute * 60000
        clock.tick()
        if it.dark(gate):
            dark.append(minute)
    return dark


def test_the_night_is_when_the_sun_is_well_down():
    dark = hours(*night())
    day = [minute for minute in range(0, 1440, 2) if minute not in dark]
    # 3 deg take 12 minutes of a quarter of a degree; the Sun is 7 minutes late.
    assert abs(day[0] - (360 + 7 - 12)) <= 3 and abs(day[-1] - (1080 + 7 + 12)) <= 3
    assert len(day) == (day[-1] - day[0]) // 2 + 1


def test_east_it_ends_earlier():
    dark = hours(*night(longitude_e4=300000))  # two hours
    assert abs(max(m for m in dark if m < 600) + 2 - (360 + 7 - 12 - 120)) <= 3


def test_near_the_pole_half_the_year_is_day():
    assert len(hours(*night(latitude_e4=899000))) in (0, 720)


def test_without_utc_there_is_no_night():
    assert hours(*night(known=False)) == []


def test_light_by_night_is_believed_and_the_clock_no_more():
    board, clock, it = night()
    clock.tick()
    assert it.dark(0) and not it.dark(1) and it.doubted
    assert hours(board, clock, it) == []


def test_the_night_moves_with_the_epoch():
    board, clock, it = night()
    board.now = 40 * HOUR_MS
    clock.tick()
    day = it.dark(0)
    it.rebase(clock.rebase())
    board.now += 12 * HOUR_MS
    clock.tick()
    assert not day and it.dark(0)


def node(name, site, told=True, weak=False):
    board = BenchBoard(scratch(name), config={"site": site} if site else None)
    it = Node(board)
    board.weak = weak
    if told:
        board.ask(messages.MARK, messages.pack_mark(board.boot, 0, MIDNIGHT_S * 1000000, 1000))
    it.run()
    return board, it


def test_a_node_that_knows_its_night_rests():
    for site, told, rests in ((SITE, True, True), (None, True, False), (SITE, False, False)):
        board, _ = node("night-node", site, told)
        assert (board.rested > 0) == rests
    wipe("scratch-night-node")


def test_a_site_that_is_none_is_told():
    for site in (3, {}, {"latitude_e4": 900001, "longitude_e4": 0}, {"latitude_e4": 1}):
        board = BenchBoard(scratch("night-bad"), config={"site": site})
        assert Node(board)._scan is None
    wipe("scratch-night-bad")


def test_while_the_supply_is_weak_nothing_is_written_but_what_there_was():
    board, it = node("night-weak", None)
    log = it._log
    pages = log.next_page
    assert log.open_records
    board.weak = board.running = True
    it.run()
    assert log.next_page == pages + 1 and not log.open_records
    board.ask(messages.SEAL)
    board.running = True
    it.run()
    assert log.next_page == pages + 1 and log.open_records
    board.weak = False
    board.ask(messages.SEAL)
    board.running = True
    it.run()
    assert log.next_page == pages + 2
    wipe("scratch-night-weak")


def test_the_lamp_tells_three_states_apart():
    shares = []
    for state in (lamp.TROUBLE, lamp.NO_SUN, lamp.SUN):
        lit = [lamp.lit(state, ms) for ms in range(8192)]
        changes = sum([lit[i] != lit[i + 1] for i in range(len(lit) - 1)])
        shares.append((sum(lit), changes))
    assert shares == [(4096, 63), (128, 3), (4096, 7)]
