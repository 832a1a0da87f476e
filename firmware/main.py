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


def run(config_path=None):
    """Until the firmware ends. config_path: its settings, where they lie elsewhere than the board
    looks for them."""
    chosen = board()
    if config_path is not None:
        chosen.config_path = config_path
    Node(chosen).run()


if __name__ == "__main__":
    run()
