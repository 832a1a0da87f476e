"""dialbench.api: its examples run, and everything in it that has a public name is told."""

import doctest
import inspect
import os

import numpy as np
import pytest
from tests.host import exchanged
from tests.host.stores import UID

from dialbench import api
from dialbench.errors import UserError

# The first to ask for the ephemeris waits for it.
pytestmark = pytest.mark.timeout(240)


@pytest.fixture(scope="module")
def path(tmp_path_factory):
    """A folder with all.sqlite, and small.sqlite that holds one imported log."""
    folder = tmp_path_factory.mktemp("api")
    exchanged.fill(folder / "all.sqlite")
    exchanged.fill_small(folder / "small.sqlite")
    return folder


def test_every_example_gives_what_it_says(path, monkeypatch):
    monkeypatch.chdir(path)
    with api.open_store("small.sqlite") as store:
        log = store.log()
    known = {"path": "small.sqlite", "np": np, "api": api, "log": log}
    runner = doctest.DocTestRunner(optionflags=doctest.ELLIPSIS)
    told = []
    count = 0
    for test in doctest.DocTestFinder().find(api, "api", globs=known):
        runner.run(test, out=told.append)
        count += len(test.examples)
    assert not told, "".join(told)
    assert count >= 14 and runner.failures == 0


def public(thing, name):
    for key, value in vars(thing).items():
        if key.startswith("_"):
            continue
        value = value.fget if isinstance(value, property) else value
        if inspect.isfunction(value) or inspect.isclass(value):
            yield f"{name}.{key}", value


def test_every_public_name_is_documented_and_typed():
    found = 0
    for name in api.__all__:
        one = getattr(api, name)
        for what, thing in [(name, one), *(public(one, name) if inspect.isclass(one) else ())]:
            found += 1
            assert len(inspect.getdoc(thing) or "") > 20, what
            if inspect.isfunction(thing):
                assert "return" in thing.__annotations__, what
                names = set(inspect.signature(thing).parameters) - {"self"}
                assert names <= set(thing.__annotations__), what
    assert found >= 15


def test_a_board_is_read_like_an_imported_log(path):
    with api.open_store(path / "all.sqlite") as store:
        board = store.log(UID)
        log = store.log(store.names[-1])
        with pytest.raises(api.ApiError, match=r"log None: .* holds .*: name one of them"):
            store.log()
        with pytest.raises(api.ApiError, match="its dial is not known: give it as dial="):
            store.log(store.names[1])
        with pytest.raises(UserError, match="there is no such file|no-dial"):
            store.log(UID, os.devnull + "/no-dial")
    ours, theirs = board.residuals(), log.residuals()
    assert len(ours.late_s) == len(theirs.late_s) > 50
    assert np.allclose(ours.late_s, theirs.late_s, atol=0.011)  # the board's 10 ms, and its clock
    with pytest.raises(api.ApiError, match='by \'week\': write one of "channel", "hour", "day"'):
        log.plot("week")


def test_arrow_says_what_is_not_known(path):
    with api.open_store(path / "all.sqlite") as store:
        crossings = store.log(store.names[-1]).crossings()
    table = api.arrow(crossings)
    assert table["sigma_s"].null_count == int(np.isnan(crossings.sigma_s).sum()) > 0
    assert str(table.schema.field("utc").type) == "timestamp[us, tz=UTC]"
