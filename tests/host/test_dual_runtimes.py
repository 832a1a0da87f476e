"""Every file of tests/dual passes on a real MicroPython too (pytest itself runs it on CPython)."""

import ast
from pathlib import Path

import pytest

DUAL = Path(__file__).parents[1] / "dual"


@pytest.mark.parametrize("file", sorted(DUAL.glob("test_*.py")), ids=lambda file: file.stem)
def test_file_passes_on_micropython(file, micropython, tmp_path):
    ran = micropython(DUAL / "run.py", file.stem, path=[DUAL], cwd=tmp_path)
    tests = [
        node.name
        for node in ast.parse(file.read_text()).body
        if isinstance(node, ast.FunctionDef) and node.name.startswith("test_")
    ]
    passed = [f"passed {file.stem} {name}" for name in sorted(tests)]
    assert (ran.returncode, ran.stdout.splitlines()) == (0, passed), ran.stdout + ran.stderr


def test_the_interpreter_is_micropython_and_a_failure_is_told(micropython, tmp_path):
    (tmp_path / "test_odd.py").write_text(
        "import sys\n"
        "def test_a():\n    assert sys.implementation.name == 'micropython'\n"
        "def test_b():\n    assert 1 + 1 == 3\n"
    )
    ran = micropython(DUAL / "run.py", "test_odd", path=[tmp_path])
    assert ran.returncode == 1
    assert ran.stdout.splitlines()[:2] == ["passed test_odd test_a", "failed test_odd test_b"]
    assert "AssertionError" in ran.stdout
