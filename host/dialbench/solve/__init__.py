"""Solve: how the dial really stands, how its bores really came out, and how well it is known."""

from __future__ import annotations

from dialbench.solve.observe import Pose
from dialbench.solve.solved import Solved, SolveError, solve

__all__ = ["Pose", "SolveError", "Solved", "solve"]
