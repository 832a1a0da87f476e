"""The way in from the command line."""

import sys

import pytest

from dialbench.states import State
from dialbench.store import StoreError
from dialbench.watch import run as watch


def test_one_look_with_the_real_predictions(
    make_source, make_board, nearby, levels, tmp_path, now_us
):
    board = make_board(dial_hash=nearby.hash)
    board.look(levels({0: 0}))
    live = watch.once(make_source(board), nearby, tmp_path / "store.sqlite")
    assert live.utc_us == now_us
    assert live.channels(State.MISSING) == (0,)
    assert live.should_read.spells == "14:30"
    assert board.closed


def test_a_path_that_is_no_store_is_refused_before_there_is_a_screen(
    make_source, make_board, dial, tmp_path
):
    letter = tmp_path / "letter.txt"
    letter.write_text("Dear editor, this is much longer than the header of a database is.")
    with pytest.raises(StoreError, match=r"letter\.txt"):
        watch.run(make_source(make_board()), dial, letter)


def test_one_look_needs_no_textual(run):
    done = run(
        [
            sys.executable,
            "-c",
            "import sys, dialbench.watch.run, dialbench.watch.once; print('textual' in sys.modules)",
        ]
    )
    assert (done.stdout.strip(), done.stderr) == ("False", "")
