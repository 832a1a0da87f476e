"""Finding the port that a board is on, where the system tells enough."""

from __future__ import annotations

from serial.tools import list_ports

from dialbench.errors import inert
from dialbench.link.client import Board, Clock
from dialbench.link.errors import LinkError, NotOpen

_VENDOR = 0x2E8A  # the USB vendor number of the Pico's maker; from memory


def likely() -> list[str]:
    """The ports behind which the system sees a board of the kind that the firmware runs on."""
    return sorted(port.device for port in list_ports.comports() if port.vid == _VENDOR)


def find(clock: Clock) -> str:
    """The port of the one board there is.

    Where several ports look right, each is asked who is there. Raises NotOpen where none
    looks right or answers, and LinkError where several do.
    """
    ports = likely()
    if not ports:
        here = ", ".join(sorted(inert(port.device) for port in list_ports.comports())) or "none"
        raise NotOpen(
            f"no port looks like a board's (ports here: {here}): plug the board in, or name its"
            " PORT"
        )
    if len(ports) == 1:
        return ports[0]
    boards = {port: uid for port in ports if (uid := _who(port, clock))}
    if not boards:
        raise NotOpen(f"none of {_listed(ports)} answers as a dial's board: name its PORT")
    if len(boards) > 1:
        named = _listed([f"{inert(port)} (board {uid})" for port, uid in boards.items()])
        raise LinkError(f"there are several boards, on {named}: name the PORT of one")
    return next(iter(boards))


def _who(port: str, clock: Clock) -> str:
    """The uid of the board on a port, "" where none answers."""
    try:
        with Board.open(port, clock) as board:
            return board.hello.uid
    except LinkError:
        return ""


def _listed(words: list[str]) -> str:
    return " and ".join(", ".join(words).rsplit(", ", 1))
