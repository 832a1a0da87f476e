"""The bench page: each channel's response against the shaft's angle as it is traced."""

from __future__ import annotations

from dialbench.watch.bench.page import BenchPage

__all__ = ["BenchPage"]
