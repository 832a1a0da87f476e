"""What is on a board: its interpreter, its room, the files that matter here."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

from dialbench.errors import inert
from dialbench.provision.errors import ProvisionError
from dialbench.provision.session import Session

OLDEST = (1, 24)  # the first that knows the RP2350 (MicroPython's release notes, from memory)
BYTECODE = 6  # major version of .mpy files, since MicroPython 1.19 (from memory)
# By the number in sys.implementation._mpy >> 10; MicroPython documentation, "MicroPython .mpy
# files" (from memory). The first: a build without native code.
ARCHITECTURES = (
    "", "x86", "x64", "armv6", "armv6m", "armv7m", "armv7em", "armv7emsp", "armv7emdp",
    "xtensa", "xtensawin", "rv32imc", "rv64imc",
)  # fmt: skip
SLOTS = ("a", "b")
NOW = "/dial_now"
NONE = "-"
MAIN = "/main.py"
BEFORE = "/main_before.py"
_OURS = b'"""The board\'s main.py where a host has put the firmware there'  # how pick.py begins
_MOST_FILES = 500
_SETTINGS_BYTES = 16384

_WHO = """
import sys
i=sys.implementation
print(repr((i.name,list(i.version[:3]),getattr(i,'_mpy',0),sys.platform)))
"""

# Prints one list: bytes free and in all, and of each file (path, size, hash).
_SURVEY = """
import os,hashlib
def _h(p):
 h=hashlib.sha256()
 b=bytearray(512)
 with open(p,'rb') as f:
  while True:
   n=f.readinto(b)
   if not n:break
   h.update(memoryview(b)[:n])
 return ''.join('%02x'%c for c in h.digest())
def _w(d):
 try:
  a=list(os.ilistdir(d))
 except OSError:
  return
 for e in a:
  p=d+'/'+e[0]
  if e[1]&0x4000:
   _w(p)
  else:
   print(repr((p,os.stat(p)[6],_h(p))),end=',')
s=os.statvfs('/')
print('[',(s[1]*s[3],s[1]*s[2]),end=',')
for d in ('/dial_a','/dial_b'):_w(d)
for p in ('/main.py','/main_before.py','/dial_now','/config.json'):
 try:
  print(repr((p,os.stat(p)[6],_h(p))),end=',')
 except OSError:
  pass
print(']')
"""


@dataclass(frozen=True)
class Interpreter:
    """What answers at the prompt; architecture as mpy-cross calls it, "" where it has none."""

    version: tuple[int, ...]
    architecture: str
    platform: str

    @property
    def name(self) -> str:
        return "MicroPython " + ".".join(map(str, self.version))


@dataclass(frozen=True)
class Survey:
    """The board's file system: bytes free and in all, and the SHA-256 of each file that is ours
    or in our way, by path. now: the two letters of dial_now, "--" where there are none. ours:
    whether main.py is one that was put there by provisioning."""

    free_bytes: int
    size_bytes: int
    hashes: dict[str, str]
    now: str
    ours: bool

    @property
    def settled(self) -> str | None:
        """The slot that runs when the board starts, None if there is none."""
        return self.now[0] if self.now[0] in SLOTS else None


def folder(slot: str) -> str:
    return f"/dial_{slot}"


def interpreter(session: Session, name: str) -> Interpreter:
    """Who answers. Raises ProvisionError for whom the firmware is not made for."""
    kind, version, mpy, platform = _of(session.ask(_WHO), (str, list, int, str), name)
    told = ".".join(str(part) for part in version)
    name = inert(name)
    if kind != "micropython":
        raise ProvisionError(
            f"the board at {name} runs {kind} {told}, and the firmware needs MicroPython"
            f" {'.'.join(map(str, OLDEST))} or newer: put that on the board first"
        )
    if tuple(version) < OLDEST:
        raise ProvisionError(
            f"the board at {name} runs MicroPython {told}, and the firmware needs"
            f" {'.'.join(map(str, OLDEST))} or newer: put that on the board first"
        )
    if mpy & 0xFF != BYTECODE or mpy >> 10 >= len(ARCHITECTURES):
        raise ProvisionError(
            f"the MicroPython {told} at {name} reads compiled files of another version"
            f" than {BYTECODE}: run this again with --source"
        )
    return Interpreter(tuple(version), ARCHITECTURES[mpy >> 10], inert(platform))


def survey(session: Session, name: str) -> Survey:
    """What is on the board now."""
    told = session.ask(_SURVEY)
    (room, *files) = told if isinstance(told, list) and told else [()]
    free, size = _of(room, (int, int), name)
    hashes = {}
    for row in files[:_MOST_FILES]:
        path, _, digest = _of(row, (str, int, str), name)
        hashes[path] = digest
    now = NONE * 2
    if NOW in hashes:
        text = session.ask(f"with open({NOW!r},'rb') as f:print(repr(f.read(2)))")
        letters = text.decode("ascii", "replace") if isinstance(text, bytes) else ""
        if len(letters) == 2 and set(letters) <= {*SLOTS, NONE}:
            now = letters
    head = b""
    if MAIN in hashes:
        head = session.ask(f"with open({MAIN!r},'rb') as f:print(repr(f.read({len(_OURS)})))")
    return Survey(free, size, hashes, now, head == _OURS)


def settings(session: Session, found: Survey) -> dict[str, Any]:
    """The board's settings as they stand, of the settled firmware or at the root; {} without."""
    slot = found.settled
    path = folder(slot) + "/config.json" if slot else "/config.json"
    if path not in found.hashes:
        return {}
    text = session.ask(f"with open({path!r},'rb') as f:print(repr(f.read({_SETTINGS_BYTES})))")
    try:
        facts = json.loads(text)
    except (ValueError, TypeError, RecursionError):
        return {}
    return facts if isinstance(facts, dict) else {}


def _of(row: object, kinds: tuple[type, ...], name: str) -> tuple[Any, ...]:
    if isinstance(row, tuple) and len(row) == len(kinds) and all(map(isinstance, row, kinds)):
        return row
    raise ProvisionError(f"the board at {inert(name)} answers nonsense: reset it, and try again")
