"""Who is told that a march is being compiled: once for new sources, and it takes some seconds.

Apart from the compiler itself, so that whoever wants to be told need not wait for that to load.
"""

from __future__ import annotations

from collections.abc import Callable

TOLD: list[Callable[[], None]] = []


def tell() -> None:
    """Tell all who want to be told, the first time only."""
    while TOLD:
        TOLD.pop()()
