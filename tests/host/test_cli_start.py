"""The command line starts light: what is heavy waits until a command needs it."""

import sys

import pytest

HEAVY = [
    "astropy",
    "ezdxf",
    "manifold3d",
    "matplotlib",
    "numpy",
    "pyarrow",
    "pydantic",
    "reportlab",
    "scipy",
    "serial",
    "skyfield",
    "textual",
]
HELP = """
from dialbench import cli
sys.argv = ["dialbench", "--help"]
try:
    cli.main()
except SystemExit as done:
    assert not done.code, done.code
"""


@pytest.fixture
def loaded_by(run):
    """Gives the names of all modules that a fresh interpreter has loaded after running code."""

    def loaded(code):
        code = f"import sys\n{code}\nprint('loaded:', *sys.modules)"
        ran = run([sys.executable, "-c", code])
        assert ran.returncode == 0, ran.stderr
        return ran.stdout.splitlines()[-1].removeprefix("loaded: ").split()

    return loaded


WATCH = "import dialbench.cli, dialbench.commands.watch"  # it paints before it loads


@pytest.mark.parametrize(
    "code", ["import dialbench.cli", HELP, WATCH], ids=["import", "help", "watch"]
)
def test_start_loads_nothing_heavy(code, loaded_by):
    loaded = loaded_by(code)
    assert "dialbench.cli" in loaded
    assert not set(HEAVY) & set(loaded)


def test_what_is_heavy_would_be_seen(loaded_by):
    assert "numpy" in loaded_by("import numpy")
