"""The line itself: bytes out, bytes in, and a sentence for whatever goes wrong with it."""

from __future__ import annotations

import errno
import socket
from typing import Protocol
from urllib.parse import urlsplit

import serial
from serial.tools import list_ports

from dialbench.errors import inert
from dialbench.link.errors import LinkError, LinkLost, NotOpen

POLL_S = 0.05  # the longest a receive() waits for the first byte
_BAUD = 115200
_SEND_S = 2.0
_CONNECT_S = 3.0
_CHUNK = 4096


# What a serial port's going away may raise: SerialException is an OSError, and where there are
# terminals (not on Windows) their own error is none.
try:
    import termios
except ImportError:
    FAULTS: tuple[type[Exception], ...] = (OSError,)
else:
    FAULTS = (OSError, termios.error)


class Line(Protocol):
    """An open line. All methods but close() raise LinkLost when the far end is gone.

    alone: no other program can have it, so that whoever talked to the board before is gone.
    """

    @property
    def alone(self) -> bool: ...

    def send(self, data: bytes) -> None: ...

    def receive(self) -> bytes:
        """What has come, as soon as anything has; b"" after POLL_S of silence."""
        ...

    def close(self) -> None: ...


def open_line(port: str) -> Line:
    """The line called port: a serial port's name, or socket://host:port.

    It is held for this process alone. Raises LinkError where there is none, or it is in
    use, or may not be opened.
    """
    if port.startswith("socket://"):
        return _SocketLine(port)
    return _SerialLine(port)


class _SerialLine:
    alone = True  # by the lock that it is opened with

    def __init__(self, port: str) -> None:
        self._name = inert(port)
        try:
            # DTR stays on: a USB serial port without it stops talking.
            self._serial = serial.Serial(
                port, _BAUD, timeout=POLL_S, write_timeout=_SEND_S, exclusive=True
            )
        except FAULTS + (ValueError,) as wrong:
            raise NotOpen(_why_not_open(self._name, wrong)) from wrong

    def send(self, data: bytes) -> None:
        try:
            self._serial.write(data)
        except serial.SerialTimeoutException as wrong:
            raise LinkLost(
                f"{self._name} takes nothing of what is sent: reset the board, or try again"
            ) from wrong
        except FAULTS as wrong:
            raise LinkLost(_gone(self._name)) from wrong

    def receive(self) -> bytes:
        try:
            first = self._serial.read(1)
            return first + self._serial.read(self._serial.in_waiting) if first else b""
        except FAULTS as wrong:
            raise LinkLost(_gone(self._name)) from wrong

    def close(self) -> None:
        self._serial.close()


class _SocketLine:
    """A serial line that something carries over TCP; pyserial would read it byte by byte."""

    alone = False  # what serves it may serve others as well

    def __init__(self, port: str) -> None:
        self._name = inert(port)
        try:
            place = urlsplit(port)
            if not place.hostname or place.port is None:
                raise ValueError("no host or no port")
        except ValueError:
            raise LinkError(
                f"{self._name} names no line: write socket://host:port, for example"
                " socket://127.0.0.1:7000"
            ) from None
        try:
            self._socket = socket.create_connection((place.hostname, place.port), _CONNECT_S)
        except OSError as wrong:
            reason = inert(wrong.strerror or str(wrong))
            raise NotOpen(
                f"nothing can be reached at {self._name} ({reason}): is what serves it running?"
            ) from wrong
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def send(self, data: bytes) -> None:
        try:
            self._socket.settimeout(_SEND_S)
            self._socket.sendall(data)
        except OSError as wrong:
            raise LinkLost(_gone(self._name)) from wrong

    def receive(self) -> bytes:
        try:
            self._socket.settimeout(POLL_S)
            data = self._socket.recv(_CHUNK)
        except TimeoutError:
            return b""
        except OSError as wrong:
            raise LinkLost(_gone(self._name)) from wrong
        if not data:
            raise LinkLost(_gone(self._name))
        return data

    def close(self) -> None:
        self._socket.close()


def _gone(name: str) -> str:
    return f"the board at {name} is gone: check its cable and its power, then open the port again"


def _why_not_open(name: str, wrong: Exception) -> str:
    code = getattr(wrong, "errno", None)
    text = str(wrong)
    # Windows gives no number, only the name of an error within the text.
    if code in (errno.ENOENT, errno.ENODEV, errno.ENXIO) or "FileNotFoundError" in text:
        ports = ", ".join(inert(port.device) for port in list_ports.comports()) or "none"
        return f"there is no port {name} (ports here: {ports}): is the board plugged in?"
    if code in (errno.EBUSY, errno.EAGAIN) or "PermissionError" in text:
        return f"{name} is in use by another program: close that first"
    if code in (errno.EACCES, errno.EPERM):
        return (
            f"you may not open {name}: let your user into the group that owns it (often dialout),"
            " then log in again"
        )
    reason = inert((wrong.strerror if isinstance(wrong, OSError) else None) or text)
    return f"{name} cannot be opened as a serial port ({reason}): name the board's port"
