"""Runs one target under atheris, our own modules watched for what they reach:

    python -m tests.fuzz.harness NAME [libFuzzer's options ...]

At each power of two of executions and at each 20,000 it says to stderr how many blocks of
memory Python holds: what grows with the executions would be a leak. (The fuzzer's own corpus
is not Python's, and is not counted; all memory together is bounded by -rss_limit_mb.) FUZZ_CORPUS in the environment: a folder that keeps the corpus.
"""

import gc
import os
import sys
import tempfile
from pathlib import Path

import atheris

NAME = sys.argv[1]

# What an input reaches first; watching everything makes each execution several times as long.
WATCHED = {
    "frames": ["dialcore.framing", "dialcore.messages", "dialbench.link.facts"],
    "board": ["dialcore.framing", "dialcore.messages", "dialnode.serve"],
    "page": ["dialcore.records", "dialbench.store.decoding", "dialbench.store.observed"],
    "dial": ["dialbench.dialfile", "dialbench.face", "dialbench.layout", "dialbench.sitefile"],
    "spec": ["dialbench.wishfile", "dialbench.wishcheck", "dialbench.face", "dialbench.sitefile"],
    "csv": ["dialbench.foreign"],
    "store": ["dialbench.store.store", "dialbench.store.foreign", "dialbench.store.database"],
    "link_host": ["dialcore.framing", "dialcore.messages", "dialbench.link"],
    "link_board": ["dialcore.framing", "dialcore.messages", "dialnode.serve", "dialnode.pagelog"],
}

with atheris.instrument_imports(include=WATCHED[NAME]):
    from tests.fuzz import targets

_executions = 0


def watched(data):
    global _executions
    _executions += 1
    if _executions & (_executions - 1) == 0 or _executions % 20_000 == 0:
        gc.collect()
        print(f"blocks {_executions} {sys.getallocatedblocks()}", file=sys.stderr, flush=True)
    _target(data)


_target = targets.TARGETS[NAME]


def main():
    corpus = os.environ.get("FUZZ_CORPUS") or tempfile.mkdtemp(prefix="dialbench-corpus-")
    for number, seed in enumerate(targets.seeds(NAME)):
        (Path(corpus) / str(number)).write_bytes(seed)
    atheris.Setup([sys.argv[0], corpus, *sys.argv[2:]], watched)
    atheris.Fuzz()


main()
