"""Wiring only: pick the board, build the node, run it."""

from dialnode.board_virtual import VirtualBoard
from dialnode.node import Node

Node(VirtualBoard()).run()
