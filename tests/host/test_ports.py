"""Which port the board is on, and waiting for a board that comes and goes."""

from contextlib import ExitStack
from types import SimpleNamespace

import pytest
from serial.tools import list_ports
from tests.board_double import UID, BoardDouble, DirectLine, Time, log, on_pty, on_tcp, stored

from dialbench.clock import SystemClock
from dialbench.link import Board, LinkError, client, patience, ports
from dialbench.link.errors import NotOpen
from dialbench.store import Store
from dialcore import messages

PICO = 0x2E8A


@pytest.fixture
def system(monkeypatch):
    """The list of ports that the system tells, to be filled: (name, USB vendor or None)."""
    told = []
    monkeypatch.setattr(
        list_ports, "comports", lambda: [SimpleNamespace(device=n, vid=v) for n, v in told]
    )
    return told


@pytest.fixture
def plugged(system):
    """Plugs in a double: gives (its port, a function that unplugs it)."""
    with ExitStack() as stack:

        def plug(double, vendor=PICO):
            port, unplug = stack.enter_context(on_pty(double))
            system.append((port, vendor))
            return port, unplug

        yield plug


def test_the_one_port_that_looks_right_is_taken(system):
    system += [("/dev/ttyS0", None), ("/dev/ttyACM1", PICO), ("/dev/ttyUSB0", 0x0403)]
    assert ports.find(SystemClock()) == "/dev/ttyACM1"


def test_no_port_that_looks_right_is_told(system):
    with pytest.raises(NotOpen, match="ports here: none"):
        ports.find(SystemClock())
    system += [("/dev/ttyS0", None), ("/dev/tty\x1b[1m", 0x0403)]
    with pytest.raises(NotOpen) as told:
        ports.find(SystemClock())
    assert str(told.value) == (
        "no port looks like a board's (ports here: /dev/ttyS0, /dev/tty\\x1b[1m): plug the board"
        " in, or name its PORT"
    )


class Another(BoardDouble):
    def _hello(self):
        return super()._hello().replace(UID, b"\1" * 8)


def test_two_boards_are_told_apart_and_one_among_other_things_is_found(system, plugged):
    system.append(("/dev/none", PICO))
    one, _ = plugged(BoardDouble())
    assert ports.find(SystemClock()) == one
    two, _ = plugged(Another())
    with pytest.raises(LinkError) as told:
        ports.find(SystemClock())
    both = sorted([f"{one} (board {UID.hex()})", f"{two} (board {'01' * 8})"])
    assert str(told.value) == (
        f"there are several boards, on {both[0]} and {both[1]}: name the PORT of one"
    )


def test_ports_that_look_right_and_answer_nothing_are_told(system):
    system += [("/dev/none1", PICO), ("/dev/none2", PICO), ("/dev/none3", PICO)]
    with pytest.raises(NotOpen) as told:
        ports.find(SystemClock())
    assert str(told.value) == (
        "none of /dev/none1, /dev/none2 and /dev/none3 answers as a dial's board: name its PORT"
    )


class Unplugging(BoardDouble):
    """Is unplugged by itself after so many pages."""

    def __init__(self, pages, after, unplug):
        super().__init__(pages)
        self._after, self._unplug = after, unplug

    def answer_to(self, data):
        for frame in super().answer_to(data):
            if len(self.sent) > self._after:
                raise OSError
            yield frame


def test_a_board_that_comes_back_under_another_name_is_pulled_to_the_end(system, plugged, tmp_path):
    pages = log(200)
    first, _ = plugged(Unplugging(pages, 90, None))
    path = tmp_path / "store.sqlite"
    noted, pauses, attempts = [], [], []

    def pause(_):
        pauses.append(len(system))
        if len(pauses) == 2:
            system.clear()
            plugged(Another(log(5)))  # another board is not taken for it
        if len(pauses) == 3:
            plugged(BoardDouble(pages))

    def work(board):
        attempts.append(board.port)
        with Store.open(path) as store:
            return board.pull(store)

    pulled = patience.with_board(first, SystemClock(), work, noted.append, pause)
    assert len(pauses) == 3 and attempts == [first, system[1][0]]
    assert 0 < pulled.pages < 200 and pulled.lacking == pulled.absent == 0
    assert stored(path) == {(1, n): raw for n, raw in pages.items()}
    assert len(noted) == len(set(noted)) >= 1
    assert all(text.endswith("; waiting") for text in noted)
    here = [text for text in noted if " now, and not " in text]
    assert here == [f"board {'01' * 8} is at {system[0][0]} now, and not {UID.hex()}; waiting"]


def test_a_busy_board_is_waited_for_and_a_refusal_is_not(monkeypatch):
    double = BoardDouble(log(2))
    double.session = 0x0605
    time = Time()
    line = DirectLine(double, time)
    line.alone = False
    monkeypatch.setattr(client, "open_line", lambda port: line)
    noted = []

    def pause(_):
        double.session = 0

    def work(board):
        return board.status().next_page

    assert patience.with_board("test", time, work, noted.append, pause) == 2
    assert len(noted) == 1
    assert "another program has talked to this board for 83 s: end that program, or" in noted[0]
    double.refusing[messages.HELLO] = "this board speaks protocol 1"
    with pytest.raises(LinkError, match="protocol 1"):
        patience.with_board("test", time, work, noted.append, pause)


def test_a_second_host_on_one_line_is_refused_and_the_first_goes_on(tmp_path):
    double = BoardDouble(log(40))
    with (
        on_tcp(double) as (port, _),
        Board.open(port, SystemClock()) as board,
        Store.open(tmp_path / "store.sqlite") as store,
    ):
        assert double.session == board._exchange.session
        with on_tcp(double) as (other, _), pytest.raises(LinkError) as told:
            Board.open(other, SystemClock())
        assert str(told.value) == (
            f"the board at {other} refuses HELLO: another program has talked to this board for"
            " 83 s: end that program, or wait until it has been silent for 10 s"
        )
        assert board.pull(store).pages == 40
        double.session = 77  # the board started anew, or serves another now
        with pytest.raises(LinkError, match="has started anew, or serves another program now"):
            board.status()
    assert double.session == 77  # a goodbye of nobody's session ends no other
