"""Wiring only: pick the board, build the node, run it."""

from dialnode.board_virtual import VirtualBoard
from dialnode.node import Node


def run(config_path=None):
    """Until the firmware ends. config_path: the settings, where they lie elsewhere than the
    board keeps them."""
    board = VirtualBoard()
    if config_path is not None:
        board.config_path = config_path
    Node(board).run()


if __name__ == "__main__":
    run()
