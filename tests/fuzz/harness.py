"""Runs one target under atheris, our own modules watched for what they reach:

    FUZZ_CORPUS=FOLDER TMPDIR=FOLDER python -m tests.fuzz.harness NAME [libFuzzer's options ...]

FUZZ_CORPUS: the folder that keeps what reached something new. TMPDIR: where targets keep their
files; the fuzzer ends the process itself, so that nothing in it can clear them away.
"""

import os
import sys
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
    "csv": ["dialbench.foreign", "dialbench.csvtable"],
    "sweep": ["dialbench.aperture.sweep", "dialbench.csvtable"],
    "store": ["dialbench.store.store", "dialbench.store.foreign", "dialbench.store.database"],
    "link_host": ["dialcore.framing", "dialcore.messages", "dialbench.link"],
    "link_board": ["dialcore.framing", "dialcore.messages", "dialnode.serve", "dialnode.pagelog"],
}

with atheris.instrument_imports(include=WATCHED[NAME]):
    from tests.fuzz import targets


def main():
    corpus = os.environ["FUZZ_CORPUS"]
    for number, seed in enumerate(targets.seeds(NAME)):
        (Path(corpus) / str(number)).write_bytes(seed)
    atheris.Setup([sys.argv[0], corpus, *sys.argv[2:]], targets.TARGETS[NAME])
    atheris.Fuzz()


main()
