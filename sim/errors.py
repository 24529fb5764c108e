"""What can go wrong, and how it is said.

StillairError
├── InputError      a file or option that can't be used: exit code 2
└── OutputError     a result that can't be written: exit code 2

A pack that fails is a result, not an error.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable


class StillairError(Exception):
    """Base of all errors that are told to the user in one sentence."""


class OutputError(StillairError):
    """The result can't be written where the user wants it."""


class InputError(StillairError):
    """One or more complaints about what the user gave, each one sentence.

    `complaints` is the list, in the order of the file; `str()` joins them by newlines.
    """

    def __init__(self, complaints: str | Iterable[str]) -> None:
        self.complaints = [complaints] if isinstance(complaints, str) else list(complaints)
        super().__init__("\n".join(self.complaints))


def nearest(word: str, known: Iterable[str]) -> str:
    """Return "; did you mean 'x'?" for the closest known word, or the whole list for none."""
    names = list(known)
    close = difflib.get_close_matches(word, names, n=1, cutoff=0.6)
    if close:
        return f"; did you mean '{close[0]}'?"
    return f"; known here: {', '.join(sorted(names))}"


def place(file: object, *, line: int | None = None, column: str | None = None) -> str:
    """Return "file line 4 column 'x'", the first words of every complaint about a table."""
    words = str(file)
    if line is not None:
        words += f" line {line}"
    if column is not None:
        words += f" column '{column}'"
    return words
