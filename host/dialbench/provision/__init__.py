"""Putting the firmware on a board, and taking it off again, so that no cut leaves it lame.

The board's file system holds two folders for firmware, `dial_a` and `dial_b`, each whole with its
settings, and a file `dial_now` of two letters: the folder that is settled, and the one that is
on trial, `-` for none. `main.py` (firmware/pick.py) starts what it names, and gives a firmware
on trial one single start. New files only ever go into the folder that is not settled; what
changes the board's mind is a file renamed over another. The log is touched by none of this.
"""

from dialbench.provision.errors import ProvisionError
from dialbench.provision.removal import Removed, unprovision
from dialbench.provision.settings import Wishes
from dialbench.provision.work import Outcome, provision

__all__ = ["Outcome", "ProvisionError", "Removed", "Wishes", "provision", "unprovision"]
