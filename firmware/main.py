"""Wiring only: pick the board, build the node, run it."""

import sys

from dialcore.compat import keep_heap_whole

keep_heap_whole()

from dialnode.node import Node


def board():
    """The board that this interpreter was built for."""
    if sys.platform == "rp2":
        from dialnode.board_pico import PicoBoard

        return PicoBoard()
    if sys.platform == "esp32":
        from dialnode.board_esp32 import Esp32Board

        return Esp32Board()
    from dialnode.board_virtual import VirtualBoard

    return VirtualBoard()


Node(board()).run()
