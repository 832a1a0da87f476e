"""What has to be done so that a board has what it should: plain values, nothing is sent."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

from dialbench.provision.target import MAIN, SLOTS, Survey, folder

_BLOCK = 4096  # a file system's block; a file takes whole ones


@dataclass(frozen=True)
class Plan:
    """slot: the folder that will run. send: bytes by full path; copy: where a file of the same
    bytes lies on the board, by full path; same: paths that are right already; drop: paths that
    have no place in the slot. main: whether main.py must be written; aside: whether another
    program's main.py must be kept first. fresh: slot is not the settled one, and goes on trial.
    """

    slot: str
    fresh: bool
    hashes: dict[str, str]
    send: dict[str, bytes]
    copy: dict[str, str]
    same: tuple[str, ...]
    drop: tuple[str, ...]
    main: bool
    aside: bool

    @property
    def needed_bytes(self) -> int:
        """Room in blocks that the slot's new files take."""
        return sum(_blocks(len(data)) for data in self.send.values()) + _BLOCK * (
            4 + len(self.copy)
        )


def plan(found: Survey, wanted: dict[str, bytes], main: bytes) -> Plan:
    """What brings the board as found to wanted, by path within a slot."""
    hashes = {name: hashlib.sha256(data).hexdigest() for name, data in wanted.items()}
    settled = found.settled
    slot = settled
    if settled is None or _slot_of(found, settled) != hashes:
        slot = next(one for one in SLOTS if one != settled)
    assert slot is not None
    root = folder(slot)
    have = _slot_of(found, slot)
    spare = {} if settled in (None, slot) else _slot_of(found, str(settled))
    by_hash = {digest: f"{folder(str(settled))}/{name}" for name, digest in spare.items()}
    same = [name for name in wanted if have.get(name) == hashes[name]]
    rest = [name for name in wanted if have.get(name) != hashes[name]]
    main_hash = found.hashes.get(MAIN)
    wrong_main = main_hash != hashlib.sha256(main).hexdigest()
    return Plan(
        slot,
        slot != settled,
        {f"{root}/{name}": digest for name, digest in hashes.items()},
        {f"{root}/{name}": wanted[name] for name in rest if hashes[name] not in by_hash},
        {f"{root}/{name}": by_hash[hashes[name]] for name in rest if hashes[name] in by_hash},
        tuple(f"{root}/{name}" for name in same),
        tuple(f"{root}/{name}" for name in have if name not in wanted),
        wrong_main,
        main_hash is not None and not found.ours,
    )


def _slot_of(found: Survey, slot: str) -> dict[str, str]:
    root = folder(slot) + "/"
    return {
        path.removeprefix(root): digest
        for path, digest in found.hashes.items()
        if path.startswith(root)
    }


def _blocks(size: int) -> int:
    return -(-size // _BLOCK) * _BLOCK
