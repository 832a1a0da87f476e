"""Where the server listens, and by which names a browser may call it. Pure."""

from __future__ import annotations

import ipaddress
import re
import socket

from dialbench.errors import UserError

LOOPBACK = "127.0.0.1"
_HOST = re.compile(r"(\[[^\]]*\]|[^:\[\]]+)(?::(\d+))?", re.ASCII)
_USUAL = "80"  # the port that browsers leave out


class WebError(UserError):
    """The application cannot be served; one sentence."""


def listening(host: str) -> str:
    """The IP address that host means: one as it stands, or "localhost". Raises WebError."""
    if host == "localhost":
        return LOOPBACK
    try:
        return str(ipaddress.ip_address(host))
    except ValueError:
        raise WebError(
            f"--web-host {host}: give the IP address of this machine on which to listen,"
            f" such as {LOOPBACK}"
        ) from None


def is_loopback(address: str) -> bool:
    """Whether nobody but programs on this machine can reach the address."""
    return ipaddress.ip_address(address).is_loopback


def warning(address: str) -> str:
    """What to know before others can reach the address; "" where they cannot."""
    if is_loopback(address):
        return ""
    return (
        f"anyone on the network of {address} can see this dial and steer the watch:"
        " there is no password and no encryption"
    )


def url(address: str, port: int) -> str:
    """What to type into the browser of this machine."""
    version = ipaddress.ip_address(address)
    if version.is_unspecified:
        address = LOOPBACK if version.version == 4 else "::1"
    return f"http://{_in_url(address)}:{port}/"


def _in_url(address: str) -> str:
    return f"[{address}]" if ":" in address else address


def answers_to(host: str, address: str, port: int) -> bool:
    """Whether a request that calls the server `host` (the header) may be meant for it.

    A page of another site can have its name point here, and then speaks to this server in
    the browser's name; but it cannot have the browser call the server by an address, or by
    this machine's own name. On loopback, only loopback's names will do.
    """
    match = _HOST.fullmatch(host)
    if match is None or (match[2] or _USUAL) != str(port):
        return False
    name = match[1]
    if name == "localhost":
        return True
    try:
        called = ipaddress.ip_address(name.removeprefix("[").removesuffix("]"))
    except ValueError:
        own = socket.gethostname().lower()
        return not is_loopback(address) and name.lower() in (own, f"{own}.local")
    return called.is_loopback or not is_loopback(address)
