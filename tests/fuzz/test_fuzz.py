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

# Python's own memory, in blocks, may grow by this from a quarter of the executions to the
# end: caches fill, and the interpreter holds a few hundred more or less from look to look.
_GROWTH_BLOCKS = 4000

pytestmark = [pytest.mark.needs_atheris, pytest.mark.timeout(24 * 3600)]


@pytest.mark.parametrize("name", list(targets.TARGETS))
def test_no_input_breaks_hangs_or_swells(name, tmp_path):
    runs = CONVERSATIONS if name in targets_link.TARGETS else EXECUTIONS
    budget = [f"-max_total_time={FUZZ_S}"] if FUZZ_S else [f"-runs={runs}"]
    limits = [f"-rss_limit_mb={_RSS_MB}", f"-timeout={_INPUT_S}"]
    ran = subprocess.run(
        [sys.executable, "-m", "tests.fuzz.harness", name, *budget, *limits],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": os.pathsep.join([str(ROOT), *sys.path])},
        stderr=subprocess.PIPE,
        check=False,
    )
    said = ran.stderr.decode("utf-8", "replace")
    assert ran.returncode == 0, said[-3000:]
    executions = int(re.findall(r"^Done (\d+) runs", said, re.MULTILINE)[-1])
    looks = [
        (int(at), int(blocks))
        for at, blocks in re.findall(r"^blocks (\d+) (\d+)$", said, re.MULTILINE)
    ]
    early = max(blocks for at, blocks in looks if at <= executions / 4)
    last = looks[-1][1]
    print(f"{name}: {executions} executions, {last - early:+} blocks since a quarter of them")
    assert executions > 100
    assert last - early < _GROWTH_BLOCKS
