"""Health: what slowly changes in a dial over a campaign, and what it is that changes."""

from __future__ import annotations

from dialbench.health.health import PER_YEAR, Health, health, judged

__all__ = ["PER_YEAR", "Health", "health", "judged"]
