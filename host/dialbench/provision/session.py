"""The board's raw prompt, through mpremote: code is run there, files are written, one at a time."""

from __future__ import annotations

import ast
import io
import struct
from collections.abc import Callable, Iterator
from contextlib import contextmanager, redirect_stdout, suppress
from typing import Any, Self

from mpremote.transport import TransportError, TransportExecError
from mpremote.transport_serial import SerialTransport

from dialbench.errors import inert
from dialbench.link.transport import FAULTS
from dialbench.provision.errors import BoardFull, ProvisionError

_READ_S = 2.0  # mpremote waits without end for a byte unless it is told how long
_CHUNK = 512  # bytes of a file in one command, a few kilobytes of the board's memory
_SHOWN = 200  # characters of what a board says is wrong

# A host that was cut off left its file open; another handle on the same file is one too many.
_AFRESH = "try:f.close()\nexcept Exception:pass\nf=None\nimport gc\ngc.collect()"

Progress = Callable[[str], None]


class Session:
    """The board at port, at its raw prompt; a context manager that closes the port.

    Whatever ran there is interrupted. Raises ProvisionError where there is no such port or no
    MicroPython prompt, as every method does where the board is gone or says nonsense, and
    BoardFull where it has no room. trace is told each command before it is sent.
    """

    def __init__(self, port: str, trace: Progress | None = None) -> None:
        self._name = inert(port)
        self._trace = trace
        with self._faults():
            self._transport = SerialTransport(port, timeout=_READ_S)
        try:
            self._enter()
            self.run(_AFRESH)
        except BaseException:
            self.close()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        with suppress(*FAULTS):
            self._transport.close()

    def _enter(self) -> None:
        try:
            # What mpremote prints of a failure is not ours to show.
            with redirect_stdout(io.StringIO()):
                self._transport.enter_raw_repl(soft_reset=False)
        except FAULTS as wrong:
            raise self._gone() from wrong
        except TransportError:
            raise ProvisionError(
                f"no MicroPython prompt shows at {self._name}: if another interpreter is on the"
                " board, put MicroPython on it first; if a program runs that cannot be"
                " interrupted, take the board's power away for a moment and try again"
            ) from None

    def run(self, code: str) -> str:
        """Run code at the prompt; what it printed."""
        if self._trace is not None:
            self._trace(code)
        with self._faults():
            printed: bytes = self._transport.exec(code)
            return printed.decode()

    def ask(self, code: str) -> Any:
        """Run code that prints one plain value; that value."""
        with self._faults():
            return ast.literal_eval(self.run(code).strip())

    def put(self, path: str, data: bytes) -> None:
        """Write a file of the board, from its beginning."""
        self.run(f"f=open({path!r},'wb')")
        for at in range(0, len(data), _CHUNK):
            self.run(f"f.write({data[at : at + _CHUNK]!r})")
        self.run("f.close()")

    def restart(self) -> None:
        """Leave the raw prompt and have the board start its program anew."""
        if self._trace is not None:
            self._trace("restart")
        with self._faults():
            self._transport.exit_raw_repl()
            self._transport.read_until(1, b">>> ", timeout_overall=_READ_S)
            self._transport.serial.write(b"\x04")

    def leave(self) -> None:
        """Leave the raw prompt for the plain one."""
        if self._trace is not None:
            self._trace("leave")
        with self._faults():
            self._transport.exit_raw_repl()

    @contextmanager
    def _faults(self) -> Iterator[None]:
        try:
            with redirect_stdout(io.StringIO()):
                yield
        except TransportExecError as wrong:
            text = str(wrong.error_output)
            last = text.strip().rpartition("\n")[2].strip()
            if "ENOSPC" in last or last.endswith("OSError: 28"):
                raise BoardFull(f"the file system of the board at {self._name} is full") from wrong
            raise ProvisionError(
                f"the board at {self._name} cannot do what it was asked ({last[:_SHOWN]})"
            ) from wrong
        except FAULTS as wrong:
            raise self._gone() from wrong
        except (TransportError, struct.error, ValueError, SyntaxError) as wrong:
            raise ProvisionError(
                f"the board at {self._name} fell silent, or answers what no prompt says: check its"
                " cable and its power, then run the same command again"
            ) from wrong

    def _gone(self) -> ProvisionError:
        return ProvisionError(
            f"the board at {self._name} cannot be opened, or is gone: check its cable, its power"
            " and that no other program has it, then run the same command again"
        )
