"""Small tables as text for the tests of the table reader."""

from __future__ import annotations

import re
import tempfile
from pathlib import Path

import pytest

from sim.errors import InputError
from sim.files.tables import Table, TableOptions, read_table

LOAD = ("power", "current", "speed", "grade", "elevation")
WEATHER = ("temperature", "sun", "sun_per_area")
LOG = ("current", "voltage", "temperature")


def read(text: str | bytes, wanted: tuple[str, ...] = LOAD, **options: object) -> Table:
    """Return what the reader makes of a file with this text."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "table.csv"
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return read_table(path, wanted, TableOptions(**options))


def refusal(text: str | bytes, wanted: tuple[str, ...] = LOAD, **options: object) -> str:
    """Return the complaints about a text, each without the path in front."""
    with pytest.raises(InputError) as refused:
        read(text, wanted, **options)
    return re.sub(r"\S*table\.csv ?", "", str(refused.value))


def kinds(table: Table) -> list[str]:
    return [note.kind for note in table.notes]
