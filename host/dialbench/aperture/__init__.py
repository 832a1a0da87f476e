"""The aperture bench: how wide each bore of a dial came out, and where it points."""

from __future__ import annotations

from dialbench.aperture.result import SCHEMA, Apertures, apertures
from dialbench.aperture.source import Light, LightError, lamp_before, under_sun
from dialbench.aperture.sweep import Sweep, SweepError

__all__ = [
    "SCHEMA",
    "Apertures",
    "Light",
    "LightError",
    "Sweep",
    "SweepError",
    "apertures",
    "lamp_before",
    "under_sun",
]
