"""Commands as typed, run within this process: for many of them a new one each is too slow."""

import signal
import sys
from types import SimpleNamespace

from dialbench import cli


def typed(capsys, *words):
    """Run one command; returncode, stdout and stderr as of a process."""
    argv, handler = sys.argv, signal.getsignal(signal.SIGTERM)
    sys.argv = ["dialbench", *map(str, words)]
    capsys.readouterr()
    try:
        cli.main()
        code = 0
    except SystemExit as ended:
        code = ended.code or 0
    finally:
        sys.argv = argv
        signal.signal(signal.SIGTERM, handler)
    out, err = capsys.readouterr()
    return SimpleNamespace(returncode=code, stdout=out, stderr=err)
