"""The whole firmware on a board in memory: log, serve, storage, faults."""

from benchboard import SESSION, BenchBoard, Stubborn, scratch, wipe
from dialcore import messages, records
from dialnode import config as configuration
from dialnode.node import Node

try:
    import micropython

    heap_lock = micropython.heap_lock
    heap_unlock = micropython.heap_unlock
except (ImportError, AttributeError):

    def heap_lock():
        pass

    heap_unlock = heap_lock


def run(board):
    Node(board).run()
    return board.answers()


def stored(board, limit=65536):
    storage = board.storage("files", limit)
    out = []
    for number in range(storage.first, storage.next):
        page = storage.read(number)
        assert records.check(page)[0] == number
        out.append(page)
    return out


def crossings(pages):
    return [r for page in pages for r in records.records(page) if r[0] == records.CROSSING]


def tags(pages):
    return [r[0] for page in pages for r in records.records(page)]


def ramp(board, seconds, start=0, channels=4, every=1):
    for s in range(0, seconds, every):
        lit = max(0.0, min(1.0, (s - 20) / 40))
        board.light(start + s * 1000, 40000, 2000, [lit] * channels)


def test_crossings_in_the_log_are_those_of_the_light():
    folder = scratch("light")
    board = BenchBoard(folder)
    ramp(board, 120)
    node = Node(board)
    node.run()
    board.ask(messages.SEAL)
    board.running = True
    node.run()
    pages = stored(board)
    found = crossings(pages)
    assert len(found) == 12
    for _tag, at, channel, threshold, rise in found:
        assert rise == 1
        assert abs(at - (30000 + 10000 * threshold)) <= 1000
    assert tags(pages)[0] == records.BOOT
    assert records.GATE in tags(pages) and records.SNAPSHOT in tags(pages)
    wipe(folder)


def test_old_records_are_kept_at_the_commit_horizon():
    folder = scratch("horizon")
    board = BenchBoard(folder)
    ramp(board, 120)
    board.light(700000, 40000, 2000, [1.0] * 4)
    run(board)
    pages = stored(board)
    assert len(pages) == 1
    assert len(crossings(pages)) == 12
    wipe(folder)


def test_fetch_gives_each_page_and_the_end():
    folder = scratch("fetch")
    board = BenchBoard(folder)
    ramp(board, 120)
    board.light(700000, 40000, 2000, [1.0] * 4)
    node = Node(board)
    node.run()
    board.answers()
    board.ask(messages.FETCH, messages.pack_fetch(0, 5), sequence=9)
    board.running = True
    node.run()
    answers = board.answers()
    assert [a[0] for a in answers] == [messages.PAGE, messages.FETCH | messages.ANSWER]
    assert all(a[1] == 9 for a in answers)
    assert messages.unpack_number(answers[0][2]) == 0
    assert bytes(answers[0][2][4:]) == stored(board)[0]
    assert messages.unpack_fetch(answers[1][2]) == (1, 1)
    wipe(folder)


def test_hello_status_and_mark():
    folder = scratch("hello")
    board = BenchBoard(folder, boot=3, start_ms=5000)
    board.light(6000, 0, 100, [0.0] * 4)
    board.ask(messages.HELLO, b"\x01\x04\x05\x06\x00")
    board.ask(messages.STATUS)
    board.ask(messages.MARK, messages.pack_mark(3, 1000, 1800000000000000, 500))
    board.ask(messages.MARK, messages.pack_mark(2, 1000, 1800000000000000, 500))
    board.ask(0x33)
    board.ask(messages.HELLO, b"\x05\x09")  # a host of other versions may say no more
    board.ask(messages.MARK, b"\x01")
    answers = run(board)
    kinds = [a[0] for a in answers]
    refused = messages.REFUSED
    assert kinds == [
        messages.HELLO | messages.ANSWER,
        messages.STATUS | messages.ANSWER,
        messages.MARK | messages.ANSWER,
        refused,
        refused,
        refused,
        refused,
    ]
    assert messages.unpack_hello(answers[0][2])[3:5] == (4, 3)
    assert messages.unpack_hello(answers[0][2])[6] == b"benchbrd"
    codes = [a[2][0] for a in answers[3:]]
    assert codes == [
        messages.BAD_REQUEST,
        messages.UNKNOWN_REQUEST,
        messages.NO_COMMON_VERSION,
        messages.BAD_REQUEST,
    ]
    wipe(folder)


def asked(board, node, *requests):
    """What the node says to requests, each (kind, payload, session)."""
    board.light(board.now, 0, 100, [0.0] * 4)  # a scan moves the clock on
    for kind, payload, session in requests:
        board.ask(kind, payload, session=session)
    board.running = True
    node.run()
    return [(a[0], a[2][0] if a[0] == messages.REFUSED else None) for a in board.answers()]


def test_a_second_host_is_refused_until_the_first_is_gone():
    folder = scratch("two")
    board = BenchBoard(folder)
    node = Node(board)
    hello, status = messages.HELLO, messages.STATUS
    met, told = (hello | messages.ANSWER, None), (status | messages.ANSWER, None)
    busy, unknown = (messages.REFUSED, messages.BUSY), (messages.REFUSED, messages.NO_SESSION)
    first = (hello, messages.pack_ask_hello(5, False), 0)
    second = (hello, messages.pack_ask_hello(6, False), 0)
    board.greeted = True
    assert asked(board, node, (status, b"", 5), (status, b"", 0)) == [unknown, unknown]
    assert asked(board, node, first, (status, b"", 5), second) == [met, told, busy]
    nonsense = (messages.REFUSED, messages.BAD_REQUEST)
    none = (hello, messages.pack_ask_hello(0, True), 0)
    assert asked(board, node, none, (hello, b"\2\2", 0), (status, b"", 0)) == [
        nonsense,
        nonsense,
        unknown,
    ]
    board.now += messages.SESSION_MS - 1
    assert asked(board, node, second, first, (status, b"", 6)) == [busy, met, unknown]
    board.now += messages.SESSION_MS  # nobody came meanwhile: it goes on
    assert asked(board, node, (status, b"", 5), second) == [told, busy]
    board.now += messages.SESSION_MS
    assert asked(board, node, second, (status, b"", 5), (status, b"", 6)) == [met, unknown, told]
    # A host that has the line for itself knows that the other is gone.
    alone = (hello, messages.pack_ask_hello(7, True), 0)
    assert asked(board, node, alone, (status, b"", 7)) == [met, told]
    assert asked(board, node, (messages.BYE, b"", 6), second) == [busy]
    assert asked(board, node, (messages.BYE, b"", 7), second) == [met]
    wipe(folder)


def test_a_refused_host_is_told_for_how_long_the_other_has_been_there():
    folder = scratch("since")
    board = BenchBoard(folder)
    node = Node(board)
    status = (messages.STATUS, b"", 5)
    assert len(asked(board, node, (messages.HELLO, messages.pack_ask_hello(5, False), 0))) == 1
    for _ in range(9):
        board.now += messages.SESSION_MS - 1000
        asked(board, node, status)
    node._serve.rebase(50000)
    node._clock.offset_ms -= 50000
    board.now += 3000
    board.light(board.now, 0, 100, [0.0] * 4)
    board.ask(messages.HELLO, messages.pack_ask_hello(6, False))
    board.running = True
    node.run()
    said = board.answers()[0][2]
    assert said[0] == messages.BUSY
    assert said[1:] == b"another program has talked to this board for 84 s, last 3 s ago"
    wipe(folder)


def test_several_fetches_are_met_in_their_order_and_one_too_many_ends_the_oldest():
    folder = scratch("window")
    board = BenchBoard(folder)
    node = Node(board)
    for second in range(0, 60, 12):  # a page each
        board.light(second * 1000, 40000, 2000, [1.0] * 4)
        board.running = True
        node.run()
        assert node._log.seal()
    board.answers()
    pages = stored(board)
    assert len(pages) == 5
    for k in range(messages.FETCHES + 1):
        board.ask(messages.FETCH, messages.pack_fetch(k, 2), sequence=20 + k)
    board.running = True
    node.run()
    got = board.answers()
    ends = [a for a in got if a[0] != messages.PAGE]
    assert [a[1] for a in ends] == [21, 22, 23, 24]
    assert [messages.unpack_fetch(a[2]) for a in ends] == [(3, 2), (4, 2), (5, 2), (5, 1)]
    sent = [(a[1], messages.unpack_number(a[2])) for a in got if a[0] == messages.PAGE]
    assert sent == [(21, 1), (21, 2), (22, 2), (22, 3), (23, 3), (23, 4), (24, 4)]
    assert all(a[2][4:] == pages[messages.unpack_number(a[2])] for a in got if len(a[2]) > 6)
    wipe(folder)


def test_pages_that_are_retired_are_not_made_up_for_by_others():
    folder = scratch("retired")
    board = BenchBoard(folder)
    node = Node(board)
    node._log.seal()
    node._log._storage.first = node._log._storage.next = 9
    board.ask(messages.FETCH, messages.pack_fetch(4, 3))
    board.ask(messages.FETCH, messages.pack_fetch(8, 32))
    board.running = True
    node.run()
    assert [messages.unpack_fetch(a[2]) for a in board.answers()] == [(9, 0), (9, 0)]
    wipe(folder)


def test_a_bad_configuration_still_answers_and_says_why():
    folder = scratch("safe")
    board = BenchBoard(folder, config={"scan_ms": "fast"})
    board.light(1000, 0, 100, [0.0] * 4)
    board.scans = []
    board.ask(messages.HELLO, messages.pack_ask_hello(SESSION, False))
    board.ask(messages.STATUS)
    board.ask(messages.SEAL)
    answers = run(board)
    hello = messages.unpack_hello(answers[0][2])
    assert hello[3] == 0
    assert b"scan_ms" in hello[11]
    assert len(answers) == 3
    wipe(folder)


def test_true_is_no_number_of_the_configuration():
    for key, value in (("scan_ms", True), ("gate_on", True), ("dark", [100, 100, False, 100])):
        folder = scratch("truth")
        board = BenchBoard(folder, config={key: value})
        found, trouble = configuration.load(board.config_path)
        assert found is None and ("config.json: %s: " % key) in trouble
        wipe(folder)


def test_a_slow_reader_loses_looks_not_answers():
    folder = scratch("slow")
    board = BenchBoard(folder)
    board.room = 0
    board.ask(messages.STREAM, b"\xe8\x03")
    ramp(board, 30)
    node = Node(board)
    while board.scans:
        board.running = True
        node._scan.take()
        node._serve.step()
    board.room = 1 << 20
    board.running = True
    node.run()
    answers = board.answers()
    assert answers[0][0] == messages.STREAM | messages.ANSWER
    board.light(40000, 40000, 2000, [1.0] * 4)
    board.running = True
    node.run()
    live = [a for a in board.answers() if a[0] == messages.LIVE]
    assert live, "the stream goes on"
    boot, at, gate, channels, direct, dropped, levels = messages.unpack_live(live[-1][2])
    assert (boot, at, gate, channels, dropped) == (1, 40000, 1, 4, 30)
    assert abs(direct - 40000) < 100
    assert levels == b"\xff"
    wipe(folder)


def test_garbage_on_the_line_changes_nothing():
    folder = scratch("garbage")
    board = BenchBoard(folder)
    board.heard = bytes(range(256)) * 20 + b"\x00"
    board.light(1000, 0, 100, [0.0] * 4)
    board.ask(messages.STATUS)
    answers = run(board)
    assert [a[0] for a in answers] == [messages.STATUS | messages.ANSWER]
    assert messages.unpack_status(answers[0][2])[7] > 0
    wipe(folder)


def test_a_held_up_scan_is_written_down_as_blind():
    folder = scratch("blind")
    board = BenchBoard(folder)
    board.light(1000, 40000, 2000, [0.0] * 4)
    board.light(2000, 40000, 2000, [0.0] * 4)
    board.light(12000, 40000, 2000, [0.0] * 4)
    node = Node(board)
    node.run()
    board.ask(messages.SEAL)
    board.running = True
    node.run()
    blind = [r for p in stored(board) for r in records.records(p) if r[0] == records.BLIND]
    assert len(blind) == 1
    assert blind[0][1] == 12000 and records.unpack_count(blind[0][2]) == 10000
    wipe(folder)


def test_what_finds_both_pages_full_is_counted():
    folder = scratch("overflow")
    board = BenchBoard(folder)
    board.light(1000, 40000, 2000, [0.0] * 4)
    node = Node(board)
    node.run()
    log = node._log
    for i in range(2000):
        log.crossing(i & 3, 1, 1, 2000 + i * 40)
    lost = log.overflow
    assert lost > 0
    assert log.seal()
    assert log.seal()
    pages = stored(board)
    assert len(crossings(pages)) == 2000 - lost
    said = [r for p in pages for r in records.records(p) if r[0] == records.OVERFLOW]
    assert [records.unpack_count(r[2]) for r in said] == [lost]
    # Nothing is kept between the first loss and the word of it.
    kept = [r for p in pages for r in records.records(p)]
    at = [r[0] for r in kept].index(records.OVERFLOW)
    assert all(r[0] != records.CROSSING for r in kept[at:])
    # The gate and the face are told anew, for what changed meanwhile is not known.
    board.light(90000, 40000, 2000, [1.0] * 4)
    board.ask(messages.SEAL)
    board.running = True
    node.run()
    tail = [r[0] for r in records.records(stored(board)[-1])]
    assert records.GATE in tail and records.SNAPSHOT in tail
    wipe(folder)


def test_a_page_that_waits_keeps_its_time_when_the_epoch_moves():
    folder = scratch("waits")
    board = BenchBoard(folder)
    node = Node(board)
    log = node._log
    i = 0
    while not log._waiting:
        log.crossing(i & 3, 1, 1, 1000 + i * 40)
        i += 1
    last = 1000 + (i - 1) * 40
    log.rebase(900000)
    node._clock.epoch_ms += 900000
    assert log.seal()
    times = [r[1] for r in crossings(stored(board))]
    assert times[0] == 1000 and times[-1] == last
    assert times == sorted(times)
    wipe(folder)


def _locked(log, count):
    heap_lock()
    try:
        i = 0
        while i < count:
            log.crossing(i & 127, 1, 1, 100000 + i * 700)
            i += 1
    finally:
        heap_unlock()


def test_logging_a_crossing_allocates_nothing_even_over_a_page_turn():
    folder = scratch("noalloc")
    board = BenchBoard(folder)
    node = Node(board)
    _locked(node._log, 500)
    assert node._log.overflow == 0
    wipe(folder)


def test_a_failing_storage_is_not_tried_at_every_scan():
    folder = scratch("patience")
    board = BenchBoard(folder, config={"commit_s": 1})
    node = Node(board)
    storage = Stubborn(folder + "/log", 1 << 20)
    storage.refuse = 5
    node._log._storage = storage
    for s in range(100):
        board.light(s * 100, 40000, 2000, [0.0] * 4)
    node.run()
    assert 2 <= storage.tries <= 7
    storage.refuse = 0
    board.light(20000, 40000, 2000, [0.0] * 4)
    board.running = True
    node.run()
    assert storage.next == 2  # what waited, and the word of the fault
    wipe(folder)


def test_sealing_again_and_again_costs_no_pages():
    folder = scratch("seals")
    board = BenchBoard(folder)
    board.light(1000, 40000, 2000, [0.0] * 4)
    node = Node(board)
    for at in (1000, 2000, 5000, 12000, 12500):
        board.light(at, 40000, 2000, [0.0] * 4)
        board.ask(messages.SEAL)
        board.running = True
        node.run()
    nexts = [messages.unpack_number(a[2]) for a in board.answers()]
    assert nexts == [1, 1, 1, 2, 2]  # one for the start, one after ten seconds
    wipe(folder)


def test_release_is_refused_while_the_storage_takes_nothing():
    folder = scratch("keeps")
    board = BenchBoard(folder)
    node = Node(board)
    storage = Stubborn(folder + "/log", 1 << 20)
    storage.refuse = 5
    node._log._storage = storage
    board.ask(messages.RELEASE)
    board.running = True
    node.run()
    assert [(a[0], a[2][0]) for a in board.answers()] == [
        (messages.REFUSED, messages.STORAGE_FAULT)
    ]
    assert not node._serve.released
    wipe(folder)


def test_release_ends_the_session_with_its_stream_and_pages():
    folder = scratch("ends")
    board = BenchBoard(folder)
    node = Node(board)
    board.ask(messages.STREAM, b"\x01\0")
    board.ask(messages.FETCH, messages.pack_fetch(0, 9))
    board.ask(messages.RELEASE)
    board.ask(messages.STATUS)
    board.running = True
    node.run()
    answers = board.answers()
    assert answers[-1][0] == messages.REFUSED and answers[-1][2][0] == messages.NO_SESSION
    assert answers[-2][0] == messages.RELEASE | messages.ANSWER
    assert not any(answer[0] == messages.FETCH | messages.ANSWER for answer in answers)
    wipe(folder)


def test_what_is_logged_until_the_answer_to_release_is_gone_is_stored():
    folder = scratch("slow")
    board = BenchBoard(folder)
    node = Node(board)
    board.ask(messages.RELEASE)
    board.room = 0
    for at in range(1000, 9000, 1000):
        board.light(at, 40000, 2000, [at // 2000 % 2] * 4)

    def idle(busy):
        board.room = 0 if board.scans else 1 << 30

    board.idle = idle
    node.run()
    assert node._scan.scans == 8 and not node._log.open_records
    assert len(list(records.records(node._log.read(node._log.next_page - 1)))) > 8
    wipe(folder)


def test_a_storage_that_cannot_be_used_is_told():
    folder = scratch("nostore")
    board = BenchBoard(folder)
    with open(folder + "/log", "w") as file:
        file.write("in the way")
    board.ask(messages.HELLO, messages.pack_ask_hello(SESSION, False))
    board.ask(messages.SEAL)
    answers = run(board)
    assert b"storage" in messages.unpack_hello(answers[0][2])[11]
    wipe(folder)


def test_a_host_that_asks_and_does_not_read_is_not_heard():
    folder = scratch("deaf")
    board = BenchBoard(folder)
    board.room = 0
    for k in range(60):
        board.ask(messages.STATUS, sequence=k)
        board.ask(0x33)
    node = Node(board)
    for _ in range(200):
        node._serve.step()
    assert len(node._serve._out) < 3000
    assert len(board.heard) > 500
    board.room = 1 << 20
    while board.heard or node._serve.busy:
        node._serve.step()
    assert len(board.answers()) == 120
    wipe(folder)


def test_time_runs_on_across_the_wrap_of_the_ticks():
    folder = scratch("wrap")
    start = (1 << 30) - 30000
    board = BenchBoard(folder, start_ms=start)
    node = Node(board)
    ramp(board, 120, start=start + 1000)
    node.run()
    board.ask(messages.SEAL)
    board.running = True
    node.run()
    found = crossings(stored(board))
    assert len(found) == 12
    for _tag, at, _channel, threshold, _rise in found:
        assert abs(at - (31000 + 10000 * threshold)) <= 1000
    wipe(folder)


def test_days_without_a_restart_keep_their_order():
    folder = scratch("days")
    board = BenchBoard(folder, config={"commit_s": 3600})
    day = 86400000
    for d in range(5):
        ramp(board, 100, start=d * day)
        board.light(d * day + 3600000, 0, 100, [0.0] * 4)
    node = Node(board)
    node.run()
    board.ask(messages.SEAL)
    board.running = True
    node.run()
    found = [r for r in crossings(stored(board)) if r[2] == 0 and r[3] == 1]
    assert len(found) == 5
    for d in range(5):
        assert abs(found[d][1] - (d * day + 40000)) <= 1000
    wipe(folder)


def of_tag(pages, tag):
    return [r for page in pages for r in records.records(page) if r[0] == tag]


def sealed(node, board):
    board.ask(messages.SEAL)
    board.running = True
    node.run()
    return stored(board)


def test_the_log_says_what_it_was_set_to():
    for lean, thresholds in ((False, 7), (True, 2)):
        folder = scratch("setup")
        board = BenchBoard(folder, config={"lean": lean, "commit_s": 900, "storage": "files"})
        ramp(board, 120)
        node = Node(board)
        node.run()
        pages = sealed(node, board)
        assert tags(pages)[:2] == [records.BOOT, records.SETUP]
        told = of_tag(pages, records.SETUP)
        assert [records.unpack_setup(r[2]) for r in told] == [(1000, 900, thresholds, 1, 65536)]
        logged = {r[3] for r in crossings(pages)}
        assert logged == ({1} if lean else {0, 1, 2})
        # What a snapshot says does not hang on it: all four channels above all thresholds.
        assert of_tag(pages, records.SNAPSHOT)[-1][2] == b"\xff"
        wipe(folder)


def test_lean_and_storage_are_checked():
    for key, value in (("lean", 1), ("lean", "yes"), ("storage", "disk"), ("storage", 3)):
        folder = scratch("lean")
        board = BenchBoard(folder, config={key: value})
        board.ask(messages.HELLO, messages.pack_ask_hello(SESSION, False))
        answers = run(board)
        assert key.encode() in messages.unpack_hello(answers[0][2])[11]
        wipe(folder)


def test_health_is_told_daily_and_when_a_fault_was_counted():
    folder = scratch("health")
    board = BenchBoard(folder, config={"commit_s": 3600})
    minute = 60000
    for k in range(3 * 48 + 1):
        board.scans.append((k * 30 * minute, [50, 50, 100, 100, 100, 100]))
    node = Node(board)
    node.run()
    told = of_tag(sealed(node, board), records.HEALTH)
    assert len(told) == 3
    assert [told[k + 1][1] - told[k][1] for k in range(2)] == [86400000] * 2
    assert all(records.unpack_health(r[2])[1:3] == (0, 0) for r in told)
    storage = Stubborn(folder + "/log", 1 << 20)
    node._log._storage = storage
    storage.refuse = 5
    now = board.now
    board.light(now + 700000, 40000, 2000, [1.0] * 4)
    node._log.record(records.GATE, records.pack_gate(0, 0))
    for k in range(90):  # the commit horizon passes, and nothing can be stored
        board.light(now + 700000 + k * minute, 40000, 2000, [1.0] * 4)
    board.running = True
    node.run()
    storage.refuse = 0
    board.light(now + 700000 + 100 * minute, 40000, 2000, [1.0] * 4)
    node._board.running = True
    node.run()
    told = of_tag(sealed(node, board), records.HEALTH)[3:]
    assert told
    bad = [records.unpack_health(r[2])[2] for r in told]
    assert bad[0] > 0 and bad == sorted(bad)
    # Faults in a row are told together, not one by one.
    assert all(told[k + 1][1] - told[k][1] >= 600000 for k in range(len(told) - 1))
    wipe(folder)


def test_what_was_torn_before_the_start_is_told_at_once():
    folder = scratch("torn-told")
    board = BenchBoard(folder)
    ramp(board, 60)
    node = Node(board)
    node.run()
    sealed(node, board)
    with open(folder + "/log/p00000000", "ab") as file:
        file.write(b"DL half a page")
    board = BenchBoard(folder, boot=2)
    ramp(board, 10)
    node = Node(board)
    node.run()
    pages = sealed(node, board)
    assert [records.unpack_health(r[2])[1] for r in of_tag(pages, records.HEALTH)] == [1]
    wipe(folder)
