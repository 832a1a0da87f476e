"""Small dials for tests: single bores, a whole face, and bores at random."""

import numpy as np

from dialbench.dial import Body, Bore, Channel, Dial, Plan, Site, Step
from dialbench.face import hour_steps, hours_and_quarters
from dialbench.layout import uniform
from dialbench.sky import Sky

NORTH = Site("Gannet Holm", 41.2, -16.4, 24.0, "-01:00", 1010.0, 10.0)
SOUTH = Site("South Holm", -41.2, -16.4, 24.0, "-01:00", 1010.0, 10.0)
ELSEWHERE_MM = 1e4  # the radius of a body whose surface is no bore's end
SECOND_US, DAY_US = 1_000_000, 86_400_000_000
NOON = Plan("apparent", 15.0, (Step(0, 720.0, "12:00", frozenset({0})),))


def bore(hour_angle_deg=0.0, channel=0, **changed):
    facts = {"shape": "slot", "exit_mm": 3.0, "entry_mm": 3.0, "length_mm": 60.0}
    facts |= {"declination_deg": 0.0, "opening_deg": 60.0} | changed
    return Bore(channel=channel, hour_angle_deg=hour_angle_deg, **facts)


def hole(hour_angle_deg=0.0, channel=0, **changed):
    facts = {"shape": "round", "declination_deg": 23.1} | changed
    return bore(hour_angle_deg, channel, **facts)


def dial(*listed, site=NORTH, plan=NOON, apart_mm=5.0, radius_mm=60.0):
    """Its channels stand one above the other; 100 mm apart they share no light.

    Slots whose length is not the way to its surface end square (dialbench.surface).
    """
    channels = max((b.channel for b in listed), default=0) + 1
    return Dial(
        name="test",
        site=site,
        channels=tuple(Channel(0.0, apart_mm * k, k, 0) for k in range(channels)),
        plan=plan,
        body=Body(radius_mm, 2 * apart_mm * channels + 200.0),
        bores=listed,
    )


def face():
    """A whole face: 33 channels, 530 tapered slots."""
    plan = Plan("apparent", 15.0, hour_steps("08:30", 15, 28))
    channels, body = hours_and_quarters(20.0, 31.0), Body(111.0, 260.0)
    listed = uniform(NORTH, channels, plan, body, 0.35, 1.4, 50.0)
    return Dial("face", NORTH, channels, plan, body, listed)


def scattered(seed, channels=40):
    """Slots and round bores anywhere in the sky, up to three to a channel, some of them close."""
    rng = np.random.default_rng(seed)
    listed = []
    for channel in range(channels):
        hour_angle_deg = rng.uniform(-80, 80)
        for _ in range(rng.integers(1, 4)):
            length_mm = rng.uniform(30, 200)
            exit_mm = length_mm * rng.uniform(0.003, 0.06)
            shape = ("slot", "round")[rng.integers(2)]
            listed.append(
                Bore(
                    channel,
                    float(hour_angle_deg),
                    float(rng.uniform(-25, 25)),
                    shape,
                    float(exit_mm),
                    float(exit_mm * rng.uniform(0.8, 2)),
                    float(length_mm),
                    float(rng.uniform(1, 60)) if shape == "slot" else 0.0,
                )
            )
            hour_angle_deg += rng.uniform(-4, 4)
    site = Site(
        "anywhere",
        float(rng.uniform(-60, 60)),
        float(rng.uniform(-180, 180)),
        24.0,
        "+00:00",
        1010.0,
        15.0,
    )
    return dial(*listed, site=site)


def around_noon(site, day, minutes):
    noon_us, half_us = Sky(site).noon_us(day), round(minutes * 60 * SECOND_US)
    return noon_us - half_us, noon_us + half_us


def rows(found):
    """Crossings as (channel, threshold, utc_us, rise), channel by channel in time."""
    listed = zip(found.channel, found.threshold, found.utc_us, found.rise, strict=True)
    return sorted((int(c), int(k), int(t), bool(r)) for c, k, t, r in listed)


def late_s(found, reference):
    """How much later each crossing comes than the same one of the reference."""
    ours, theirs = rows(found), rows(reference)
    assert [(c, k, r) for c, k, _, r in ours] == [(c, k, r) for c, k, _, r in theirs]
    return np.array([a[2] - b[2] for a, b in zip(ours, theirs, strict=True)]) / 1e6
