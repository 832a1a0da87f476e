"""Sixty days in the field: clouds, power cuts, a clock chip that is off and jumps, few pulls."""

from __future__ import annotations

import os

import numpy as np
import pytest
from tests.deployment import Noted, deploy, held, unaccounted

import dialnode.node
from dialbench.store import Store

SEEDS = int(os.environ.get("DIALBENCH_DEPLOYMENTS", "2"))
CLAIM_S = 0.2


@pytest.mark.deep
@pytest.mark.timeout(3600)
@pytest.mark.parametrize("clocks", [{"rtc": "ds3231"}, {"rtc": "ds3231", "tick": "rtc"}])
def test_sixty_days(clocks, tmp_path, monkeypatch, capsys):
    monkeypatch.setattr(dialnode.node, "PageLog", Noted)
    errors, halves = [], []
    for seed in range(SEEDS):
        done = deploy(seed, tmp_path / str(seed), clocks)
        with Store.open(done.store_path) as store:
            assert unaccounted(done, store) == []
            losses = store.losses(done.uid)
            assert (losses.missing_pages, losses.retired_pages, losses.torn_pages) == (0, 0, 0)
            assert (losses.overflow_records, losses.unreadable_pages) == (0, 0)
            found = held(done, store.clock(done.uid))
            readings = len(store.readings(done.uid))
        claimed = found.claimed(CLAIM_S)
        with capsys.disabled():
            print(
                f"\n{clocks} seed {seed}: {len(done.boots)} boots, {readings} readings,"
                f" {sum(map(len, done.given))} crossings, jump {done.field.jump[1] * 1e-6:.2f} s;"
                f" told {found.told:.3f}, claimed {claimed.mean():.3f},"
                f" worst claimed {found.error_s[claimed].max():.3f} s,"
                f" coverage {found.coverage:.3f}"
            )
        assert found.told > 0.95
        errors.append(found.error_s)
        halves.append(found.half_s)
    error_s, half_s = np.concatenate(errors), np.concatenate(halves)
    claimed = half_s <= CLAIM_S
    with capsys.disabled():
        print(
            f"{clocks}: {SEEDS} seeds, claimed {claimed.mean():.3f}, of them wrong"
            f" {(error_s[claimed] > CLAIM_S).mean():.5f}, coverage {(error_s <= half_s).mean():.4f}"
        )
    assert claimed.mean() > 0.5
    assert error_s[claimed].max() <= CLAIM_S
