"""Five states, five shapes, on any terminal and at any size."""

from itertools import combinations, product

import pytest

from dialbench.dial import Channel
from dialbench.states import State
from dialbench.watch import glyphs

IBM_PC = "█▀▄"  # in the set that a bare Linux console shows


def drawn(state, size):
    """One pixel of a state, as rows of characters."""
    pixel = [Channel(0.0, 0.0, 0, 0)]
    return ["".join(text for text, _ in row) for row in glyphs.face(pixel, [state], size)]


def sizes():
    for blocks, width in product((True, False), range(1, 17)):
        for height in range(1, 17):
            if width >= 3 and height >= (3 if blocks else 2):
                yield glyphs.Fit(1, 1, width, height, 0, 0, blocks)
    yield glyphs.Fit(1, 1, 1, 1, 0, 0, blocks=False)


def test_the_shapes_differ_pairwise_at_every_size():
    for size in sizes():
        for one, other in combinations(State, 2):
            assert drawn(one, size) != drawn(other, size), (one, other, size)


def test_the_shapes_differ_in_more_than_a_cell_where_there_is_room():
    for size in sizes():
        if min(size.pixel_width, size.pixel_height) < 4:
            continue
        for one, other in combinations(State, 2):
            a, b = ("".join(drawn(state, size)) for state in (one, other))
            assert sum(x != y for x, y in zip(a, b, strict=True)) >= 2, (one, other, size)


@pytest.mark.parametrize("blocks", [True, False])
def test_the_legends_shapes_differ_pairwise(blocks):
    shapes = [tuple(glyphs.sample(state, 3, blocks)) for state in State]
    assert len(set(shapes)) == len(State)
    assert all(len(row) == 3 for shape in shapes for row in shape)


def test_only_characters_of_the_terminal_are_used():
    for size in sizes():
        for state in State:
            text = "".join(drawn(state, size))
            assert set(text) <= set(IBM_PC + " ") if size.blocks else text.isascii()


@pytest.mark.parametrize(
    ("encoding", "term", "blocks"),
    [
        ("utf-8", "xterm-256color", True),
        ("UTF-8", "linux", True),
        ("cp437", "", True),
        ("utf-8", "", True),
        ("utf-8", "dumb", False),
        ("utf-8", "vt100", False),
        ("ascii", "xterm", False),
        ("latin-1", "linux", False),
        (None, "xterm", False),
        ("no-such-encoding", "xterm", False),
    ],
)
def test_blocks_where_the_encoding_has_them_and_the_terminal_is_not_one_of_letters(
    encoding, term, blocks
):
    assert glyphs.can_show_blocks(encoding, term) is blocks


def test_a_pixel_is_several_cells_wide_from_80_x_24_up(dial):
    small = glyphs.fit(dial.channels, 42, 15, blocks=True)
    assert (small.pixel_width, small.pixel_height) == (5, 5)
    large = glyphs.fit(dial.channels, 80, 26, blocks=True)
    assert large.pixel_width >= 9
    letters = glyphs.fit(dial.channels, 42, 15, blocks=False)
    assert (letters.pixel_width, letters.pixel_height) == (5, 2)


def test_a_face_fits_the_space_it_is_given_at_every_size(dial):
    for width, height, blocks in product(range(1, 130, 3), range(1, 44, 2), (True, False)):
        size = glyphs.fit(dial.channels, width, height, blocks)
        if size is None:
            assert width < 7 or height < 5
        else:
            assert size.width <= width
            assert size.height <= height


def test_128_channels_fit_the_smallest_screen():
    many = [Channel(0.0, 0.0, c % 16, c // 16) for c in range(128)]
    assert glyphs.fit(many, 42, 15, blocks=True) is not None


@pytest.mark.parametrize("blocks", [True, False])
def test_each_channel_is_drawn_in_its_own_cell(dial, blocks):
    size = glyphs.fit(dial.channels, 80, 26, blocks)
    for number, channel in enumerate(dial.channels):
        states = [State.DARK] * len(dial.channels)
        states[number] = State.LIT
        rows = glyphs.face(dial.channels, states, size)
        x = channel.column * (size.pixel_width + size.gap_x)
        y = channel.row * (size.pixel_height + size.gap_y) // (2 if blocks else 1)
        lit = [
            (at, row_number)
            for row_number, row in enumerate(rows)
            for at, state in enumerate(s for text, s in row for _ in text)
            if state is State.LIT
        ]
        assert min(lit, key=lambda place: place[1])[1] == y
        assert {at for at, _ in lit} == set(range(x, x + size.pixel_width))


def test_rows_are_as_wide_as_they_say(dial):
    size = glyphs.fit(dial.channels, 80, 26, blocks=True)
    rows = glyphs.face(dial.channels, [State.STRAY] * len(dial.channels), size)
    assert len(rows) == size.height
    assert {sum(len(text) for text, _ in row) for row in rows} == {size.width}
