"""The power is cut in every operation of either storage: see tests/dual/powercut.py."""

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
DUAL = ROOT / "tests" / "dual"
SCRIPT = DUAL / "powercut.py"
# More seeds, each a sweep of its own over another log, are for a run by hand.
SEEDS = int(os.environ.get("DIALBENCH_POWERCUT_SEEDS", "1"))
RUNTIMES = ("micropython", "cpython")
HEAP = "heapsize=8192wK"  # for the media; the storage's own need is test_board_cost's


def sweep(runtime, *words, timeout_s=55):
    """Run sweeps to their end: (finished process, scenarios by sweep, bad sectors met)."""
    path = [str(ROOT / "shared"), str(ROOT / "firmware"), str(DUAL)]
    command = [sys.executable, str(SCRIPT)]
    if runtime == "micropython":
        start = "import micropython, sys; sys.exit(micropython.main())"
        command = [sys.executable, "-c", start, "-X", HEAP, str(SCRIPT)]
    ran = subprocess.run(
        [*command, *words],
        env={
            **os.environ,
            "PYTHONPATH": os.pathsep.join(path),
            "MICROPYPATH": os.pathsep.join([*path, ".frozen"]),
        },
        capture_output=True,
        text=True,
        timeout=timeout_s,
        check=False,
    )
    told = re.findall(
        r"^(\w+): (\d+) scenarios, (\d+) failed, (\d+) met a bad sector$", ran.stdout, re.MULTILINE
    )
    return ran, {name: int(count) for name, count, _, _ in told}, sum(int(t[3]) for t in told)


def failures(ran):
    return [line for line in ran.stdout.splitlines() if line.startswith("failed: ")]


@pytest.mark.parametrize("runtime", RUNTIMES)
def test_nothing_acknowledged_is_lost_and_nothing_invented(runtime):
    names = ["blank", "flash", "files", "flash2", "files2"]
    names += ["littlefs"] if runtime == "micropython" else []
    ran, scenarios, _ = sweep(runtime, *names, "step=37")
    assert ran.returncode == 0 and not failures(ran), ran.stdout + ran.stderr
    assert list(scenarios) == names
    assert scenarios["flash2"] > 60 and scenarios["files2"] > 60


@pytest.mark.parametrize("runtime", RUNTIMES)
def test_a_bad_sector_costs_no_more_than_itself_and_is_counted(runtime):
    ran, scenarios, met = sweep(runtime, "bad", "step=30")
    assert ran.returncode == 0 and not failures(ran), ran.stdout + ran.stderr
    assert scenarios["bad"] == 16 * 4
    assert met >= 16


@pytest.mark.parametrize(
    ("mutant", "name", "part", "wrong"),
    [
        ("eager", "flash", "step=31", "lost: page"),
        ("eager", "files", "step=31", "lost: page"),
        ("unchecked", "flash", "step=31", "invented: page"),
        ("unchecked", "files", "step=31", "invented: page"),
        ("halferased", "flash", "kind=suffix", "lost: page"),
        ("unread", "bad", "fault=silent since=72", "lost: pages"),
    ],
)
def test_a_storage_broken_on_purpose_is_found_out_by_a_line_that_repeats_it(
    mutant, name, part, wrong
):
    ran, _, _ = sweep("cpython", name, *part.split(), f"mutant={mutant}")
    assert ran.returncode == 1, ran.stdout + ran.stderr
    told = [line for line in failures(ran) if wrong in line]
    assert told
    words = told[0].split("powercut.py ")[1].split()
    again, scenarios, _ = sweep("cpython", *words, f"mutant={mutant}")
    assert scenarios == {name: 1}
    assert failures(again) == told[:1]
    whole, _, _ = sweep("cpython", *words)
    assert whole.returncode == 0 and not failures(whole)


@pytest.mark.deep
@pytest.mark.timeout(3000)
@pytest.mark.parametrize("runtime", RUNTIMES)
@pytest.mark.parametrize("seed", range(1, SEEDS + 1))
def test_every_cut(runtime, seed):
    names = ["blank", "flash", "files", "flash2", "files2", "bad"]
    names += ["littlefs"] if runtime == "micropython" else []
    ran, scenarios, met = sweep(runtime, *names, f"seed={seed}", timeout_s=2900)
    print(runtime, scenarios, sum(scenarios.values()), "bad sectors met", met)
    assert ran.returncode == 0 and not failures(ran), ran.stdout + ran.stderr
    assert list(scenarios) == names
    assert sum(scenarios.values()) > 10000
