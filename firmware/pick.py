"""The board's main.py where a host has put the firmware there: starts the folder that dial_now names.

dial_now holds two letters: the folder that is settled, and the one that is on trial; - for none.
A firmware on trial gets one start: before it begins, dial_now forgets it again, so
that after any end of it, by itself, by lack of power or because no host was content with
it in time, the settled one starts. The host settles it by writing dial_now.
"""

import os
import sys

_TRIAL_MS = 60000  # a host is content with it before this, or the board starts anew


def _write(text):
    with open("/dial_now.new", "w") as file:
        file.write(text)
    os.rename("/dial_now.new", "/dial_now")


def _chosen():
    """The folder's letter, - for none, and whether it is on trial."""
    try:
        with open("/dial_now") as file:
            text = file.read(2)
        settled = text[0]
        trial = text[1]
    except (OSError, ValueError, IndexError):
        return "-", False
    if trial == "-":
        return settled, False
    try:
        _write(settled + "-")
    except OSError:
        return settled, False  # no trial without a way back
    return trial, True


def _limit():
    """Start anew after the trial's time; its end, by a soft reset, takes the timer away."""
    from machine import Timer, reset

    try:
        timer = Timer(-1)
    except ValueError:
        timer = Timer(0)  # boards without timers of software
    timer.init(mode=Timer.ONE_SHOT, period=_TRIAL_MS, callback=lambda _: reset())
    return timer


_slot, _on_trial = _chosen()
if _slot == "-":
    try:
        os.stat("/main_before.py")
    except OSError:
        pass
    else:
        exec(open("/main_before.py").read())  # noqa: S102 - the program that was here before
else:
    _timer = _limit() if _on_trial else None
    sys.path.insert(0, "/dial_" + _slot)
    __import__("dial_start").run("/dial_" + _slot + "/config.json")
