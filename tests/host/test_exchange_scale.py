"""Many crossings out and in again; EXCHANGE_CROSSINGS=10000000 for the figures of ten million.

Memory is what must stay bounded, so the way out and the way in are processes of their own.
"""

import json
import os
import subprocess
import sys

import pytest
from tests.host.stores import UID, hello

from dialbench.clock import Mark
from dialbench.store import Store
from dialcore import records

COUNT = int(os.environ.get("EXCHANGE_CROSSINGS", "200000"))
OUT = "from dialbench.store import Store; from dialbench.exchange import bundle; import pathlib\n"
OUT += "with Store.look({0!r}) as s: bundle.write(s, pathlib.Path({1!r}))"
BACK = "from dialbench.exchange.restore import restore; from pathlib import Path\n"
BACK += "restore(Path({1!r}), Path({2!r}), lambda what, share: None)"
# The peak of this address space alone: ru_maxrss would hold the parent's from before exec too.
TOLD = """
import json, re, time
begun = time.perf_counter()
{}
peak_kb = int(re.search(r"VmHWM:\\s+(\\d+)", open("/proc/self/status").read())[1])
print(json.dumps([time.perf_counter() - begun, time.process_time(), peak_kb / 1e3]))
"""


def fill(path):
    """Pages full of crossings a second apart."""
    writer, number, base = records.PageWriter(), 0, 0
    with Store.open(path) as store, store.writing():
        store.add_board(hello())
        writer.start(0)
        for k in range(COUNT):
            at = 1000 * k
            if not writer.crossing(k * 7 % 33, k % 3, k & 1, at - base):
                store.add_page(UID, bytes(writer.sealed(number, 1, base)))
                number, base = number + 1, at
                writer.start(0)
                writer.crossing(k * 7 % 33, k % 3, k & 1, 0)
        store.add_page(UID, bytes(writer.sealed(number, 1, base)))
        for at_ms in (0, 1000 * COUNT):
            store.add_mark(UID, Mark(1, at_ms, 1_774_000_000_000_000 + 1000 * at_ms, 1000, "link"))
        return store.digest(UID)


@pytest.mark.deep
@pytest.mark.timeout(3000)
def test_many_crossings_go_out_and_in_again(tmp_path):
    digest = fill(tmp_path / "store")
    names = [str(tmp_path / name) for name in ("store", "bundle", "new")]
    figures = {}
    for what, code in (("out", OUT), ("in", BACK)):
        ran = subprocess.run(
            [sys.executable, "-c", TOLD.format(code.format(*names))],
            capture_output=True,
            text=True,
            check=True,
        )
        figures[what] = dict(zip(("s", "cpu_s", "MB"), json.loads(ran.stdout), strict=True))
    with Store.look(tmp_path / "new") as store:
        assert store.digest(UID) == digest
        assert sum(len(part.boot) for part in store.crossings_written(UID)) == COUNT
    size = sum(file.stat().st_size for file in (tmp_path / "bundle").rglob("*") if file.is_file())
    print(COUNT, json.dumps(figures), f"store {os.path.getsize(names[0]) / 1e6:.0f} MB,")
    print(f"bundle {size / 1e6:.0f} MB")
    # The columns of ten million crossings in memory would take 330 MB beside what is loaded.
    assert max(one["MB"] for one in figures.values()) < 450
