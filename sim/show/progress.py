"""A progress bar on a terminal, none in a pipe."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager


@contextmanager
def day_bar(end_s: float) -> Iterator[Callable[[float], None] | None]:
    """Yield what is to be told the time reached [s], or None where nobody would see a bar."""
    if not sys.stderr.isatty():
        yield None
        return
    import typer

    with typer.progressbar(length=max(1, round(end_s)), label="simulating", file=sys.stderr) as bar:

        def reached(time_s: float) -> None:
            bar.update(max(0, round(time_s) - bar.pos))

        yield reached


@contextmanager
def count_bar(count: int, label: str) -> Iterator[Callable[[int], None] | None]:
    """Yield what is to be told how many of `count` are finished, or None as above."""
    if not sys.stderr.isatty():
        yield None
        return
    import typer

    with typer.progressbar(length=max(1, count), label=label, file=sys.stderr) as bar:

        def finished(number: int) -> None:
            bar.update(number - bar.pos)

        yield finished
