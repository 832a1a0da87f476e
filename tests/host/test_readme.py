"""What the README shows of Python runs as it stands there."""

import textwrap
from pathlib import Path

README = Path(__file__).parents[2] / "README.md"


def test_the_example_for_python_runs(capsys):
    lines = README.read_text(encoding="utf-8").splitlines()
    first = lines.index("    from datetime import UTC, datetime")
    block = []
    for line in lines[first:]:
        if line and not line.startswith("    "):
            break
        block.append(line)
    exec(textwrap.dedent("\n".join(block)), {})  # noqa: S102
    shown = capsys.readouterr().out.splitlines()
    assert shown[0].startswith("[") and shown[1].endswith(" spans")
    assert int(shown[1].split()[0]) == 3 * 73
