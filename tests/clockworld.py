"""Sixty days of a board's clocks, without the board: who is read when, and what is true.

A world draws its crystal, its chip and its power cuts from a seed, and says what a host
would find in its store. What the model then claims can be held against what was.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dialbench.clock import Mark, Reading
from dialbench.virtual.clocks import Chip, Crystal, Oscillator

START_US = 1_804_032_000_000_000
DAY_US = 86_400_000_000
HOUR_US = 3_600_000_000


@dataclass(frozen=True)
class Plan:
    """What is done to the board, and how good its clocks are. Units in the names."""

    days: int = 60
    cuts_a_week: float = 2.0
    pull_days: tuple[float, ...] = (0.02, 10, 20, 34, 40, 50, 59.9)  # the third one late
    read_s: int = 3600
    read_sigma_us: int = 1000
    chip_ppm: float = 20.0
    chip_wander_ppm: float = 0.2
    chip_wander_days: float = 3.0
    crystal_day_ppm: float = 4.0
    crystal_wander_ppm: float = 2.0
    jumps: int = 1
    jump_s: tuple[float, float] = (0.05, 100.0)  # sizes are drawn evenly in their logarithm


class World:
    def __init__(self, plan: Plan, seed: int) -> None:
        rng = np.random.default_rng(seed)
        end_us = START_US + plan.days * DAY_US
        self.crystal = Crystal(
            Oscillator.draw(
                rng,
                START_US,
                plan.days,
                rng.uniform(-30, 30),
                day_ppm=plan.crystal_day_ppm,
                wander_ppm=plan.crystal_wander_ppm,
            )
        )
        low, high = np.log(plan.jump_s)
        self.jumps = tuple(
            (
                int(rng.uniform(START_US, end_us)),
                int(1e6 * np.exp(rng.uniform(low, high)) * rng.choice([-1, 1])),
            )
            for _ in range(plan.jumps)
        )
        self.chip = Chip(
            Oscillator.draw(
                rng,
                START_US,
                plan.days,
                plan.chip_ppm,
                wander_ppm=plan.chip_wander_ppm,
                wander_days=plan.chip_wander_days,
            ),
            int(rng.uniform(-5e6, 5e6)),
            self.jumps,
        )
        cuts = np.sort(rng.uniform(START_US, end_us, rng.poisson(plan.cuts_a_week * plan.days / 7)))
        off = rng.uniform(60e6, 12 * HOUR_US, len(cuts))
        # By boot: from when until when it ran.
        self.boots: list[tuple[int, int]] = []
        at = START_US
        for cut, away in zip(cuts, off, strict=True):
            if cut - at > 60e6:
                self.boots.append((at, int(cut)))
                at = int(cut + away)
        if at < end_us:
            self.boots.append((at, end_us))
        self.marks: list[Mark] = []
        self.readings: list[Reading] = []
        pulls = [int(START_US + day * DAY_US) for day in plan.pull_days]
        for boot, (begin, end) in enumerate(self.boots, 1):
            for utc_us in range(begin + 1_000_000, end, plan.read_s * 1_000_000):
                shown = int(self.chip.shows_us(np.array([utc_us]))[0])
                error = rng.normal(0, plan.read_sigma_us)
                device_ms = self.device_ms(boot, utc_us + error)
                self.readings.append(Reading(boot, device_ms, shown, plan.read_sigma_us))
        for pull in pulls:
            boot = next((b for b, (_, end) in enumerate(self.boots, 1) if pull < end), None)
            if boot is None:
                continue
            pull = max(pull, self.boots[boot - 1][0] + 30_000_000)
            for utc_us in (pull, pull + 2_000_000):
                if utc_us < self.boots[boot - 1][1]:
                    error = rng.normal(0, 1000)
                    self.marks.append(
                        Mark(boot, self.device_ms(boot, utc_us), int(utc_us + error), 1500, "link")
                    )

    def device_ms(self, boot: int, utc_us: float) -> int:
        begin = self.boots[boot - 1][0]
        return int(self.crystal.device_us(np.array([int(utc_us)]), begin)[0]) // 1000

    def truth(self, every_us: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """(boot, device_ms, utc_us) all the time, every_us apart."""
        found = []
        for boot, (begin, end) in enumerate(self.boots, 1):
            utc_us = np.arange(begin, end, every_us, dtype=np.int64)
            device_ms = self.crystal.device_us(utc_us, begin) // 1000
            found.append((np.full(len(utc_us), boot), device_ms, utc_us))
        return tuple(np.concatenate(parts) for parts in zip(*found, strict=True))
