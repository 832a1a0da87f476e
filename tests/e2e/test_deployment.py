"""Sixty days in the field: clouds, power cuts, a clock chip that is off and jumps, few pulls."""

from __future__ import annotations

import os

import numpy as np
import pytest
from tests.deployment import Noted, deploy, deploy_virtual, held, unaccounted

import dialnode.node
from dialbench.store import Losses, Store

SEEDS = int(os.environ.get("DIALBENCH_DEPLOYMENTS", "2"))
CLAIM_S = 0.2


@pytest.mark.deep
@pytest.mark.timeout(3600)
@pytest.mark.parametrize(
    "clocks", [{"rtc": "ds3231"}, {"rtc": "ds3231", "tick": "rtc"}], ids=["by looks", "by ticks"]
)
def test_sixty_days(clocks, tmp_path, monkeypatch, capsys):
    monkeypatch.setattr(dialnode.node, "PageLog", Noted)
    errors, halves = [], []
    for seed in range(SEEDS):
        done = deploy(seed, tmp_path / str(seed), clocks)
        with Store.open(done.store_path) as store:
            assert unaccounted(done, store) == []
        found = told(done, f"seed {seed}", capsys)
        errors.append(found.error_s)
        halves.append(found.half_s)
    error_s, half_s = np.concatenate(errors), np.concatenate(halves)
    claimed = half_s <= CLAIM_S
    with capsys.disabled():
        print(
            f"{SEEDS} seeds: claimed {claimed.mean():.3f}, of them wrong"
            f" {(error_s[claimed] > CLAIM_S).mean():.5f}, coverage {(error_s <= half_s).mean():.4f}"
        )


@pytest.mark.deep
@pytest.mark.timeout(1200)
def test_sixty_days_under_micropython(tmp_path, capsys):
    done = deploy_virtual(1, tmp_path)
    told(done, "under MicroPython, seed 1", capsys)


def told(done, what, capsys):
    """What a deployment came to: nothing is lost, and what is claimed holds."""
    with Store.open(done.store_path) as store:
        losses = store.losses(done.uid)
        found = held(done, store.clock(done.uid))
        readings, crossings = len(store.readings(done.uid)), len(store.crossings(done.uid).boot)
    claimed = found.claimed(CLAIM_S)
    with capsys.disabled():
        print(
            f"\n{what}: {len(done.boots)} boots, {readings} readings, {crossings} crossings,"
            f" jump {done.field.jump[1] * 1e-6:.2f} s; told {found.told:.3f},"
            f" claimed {claimed.mean():.3f}, worst claimed {found.error_s[claimed].max():.3f} s,"
            f" coverage {found.coverage:.3f}"
        )
    assert losses == Losses(0, 0, 0, 0, losses.blind_ms, 0)
    assert crossings > 1000
    assert found.told > 0.95
    assert claimed.mean() > 0.5
    assert found.error_s[claimed].max() <= CLAIM_S
    return found
