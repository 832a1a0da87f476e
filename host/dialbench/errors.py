"""The one kind of error that is told to the user as a sentence, without a traceback."""

from __future__ import annotations


class UserError(Exception):
    """Something the user can mend; its text says what, where and how: a line each sentence.

    Every module that can meet such a thing has a subclass of its own. At the command
    line it ends with exit status 2. A sentence stays one line whatever it quotes, such as a
    file's name with a line's end in it.
    """

    def __init__(self, *sentences: str) -> None:
        super().__init__(*sentences)

    def __str__(self) -> str:
        return "\n".join(map(inert, self.args))


def inert(text: str) -> str:
    """text with everything that could steer a terminal spelt out as an escape."""
    if text.isprintable():  # nearly always, and much faster than looking at every sign
        return text
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)
