"""Dual tests know no fixtures: what they write goes to the working folder, a fresh one each."""

import pytest


@pytest.fixture(autouse=True)
def _scratch(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
