"""Campaign: which days to log, so that the body's pose is told as well as is wished."""

from __future__ import annotations

from dialbench.campaign.days import Days
from dialbench.campaign.goal import Goal
from dialbench.campaign.known import after, fresh
from dialbench.campaign.plan import SCHEMA, Plan, plan
from dialbench.campaign.remedy import NO_REMEDY, Remedy, remedies
from dialbench.campaign.weather import Weather, WeatherError

__all__ = [
    "NO_REMEDY",
    "SCHEMA",
    "Days",
    "Goal",
    "Plan",
    "Remedy",
    "Weather",
    "WeatherError",
    "after",
    "fresh",
    "plan",
    "remedies",
]
