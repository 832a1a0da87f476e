"""Every input that comes from outside, fuzzed for a while: no crash, no hang, no growth.

FUZZ_S in the environment: seconds for each input (20), or 0 for 2,000,000 executions of each
(of the link's, that are whole conversations, 20,000).
"""

import os
import re
import subprocess
import sys

import pytest
from tests.conftest import ROOT
from tests.fuzz import targets, targets_link

FUZZ_S = int(os.environ.get("FUZZ_S", "20"))
EXECUTIONS = 2_000_000
CONVERSATIONS = 20_000
_RSS_MB = 1500
_INPUT_S = 20  # for one input on a busy machine; on a free one the slowest takes 0.05 s

# Python's own memory, in blocks, may grow by this from the second lap to the last, over three
# thousand executions: the interpreter holds some more or less from look to look.
_GROWTH_BLOCKS = 300

pytestmark = [pytest.mark.needs_atheris, pytest.mark.timeout(24 * 3600)]


@pytest.mark.parametrize("name", list(targets.TARGETS))
def test_no_input_breaks_hangs_or_swells(name, tmp_path):
    runs = CONVERSATIONS if name in targets_link.TARGETS else EXECUTIONS
    budget = [f"-max_total_time={FUZZ_S}"] if FUZZ_S else [f"-runs={runs}"]
    limits = [f"-rss_limit_mb={_RSS_MB}", f"-timeout={_INPUT_S}"]
    corpus = tmp_path / "corpus"
    corpus.mkdir()
    said = _run(tmp_path, "harness", name, *budget, *limits, FUZZ_CORPUS=str(corpus)).stderr
    if name == "board":  # it keeps files, and they are cleared away with this folder
        assert list(tmp_path.glob("dialbench-fuzz-*"))
    executions = int(re.findall(r"^Done (\d+) runs", said, re.MULTILINE)[-1])
    # The fuzzer itself holds more with each execution: growth is looked for without it.
    laps = re.findall(
        r"^blocks \d+ (\d+)$", _run(tmp_path, "replay", name, corpus).stdout, re.MULTILINE
    )
    growth = int(laps[-1]) - int(laps[1])
    print(f"{name}: {executions} executions; {growth:+} blocks of memory from lap to lap")
    assert executions > 100
    assert growth < _GROWTH_BLOCKS


def _run(folder, module, *words, **environment):
    """Run one module of this folder to its end, which must be a good one."""
    path = os.pathsep.join([str(ROOT), *sys.path])
    ran = subprocess.run(
        [sys.executable, "-m", f"tests.fuzz.{module}", *map(str, words)],
        cwd=folder,
        env={**os.environ, "PYTHONPATH": path, "TMPDIR": str(folder), **environment},
        capture_output=True,
        encoding="utf-8",
        errors="replace",
        check=False,
    )
    assert ran.returncode == 0, ran.stderr[-3000:]
    return ran
