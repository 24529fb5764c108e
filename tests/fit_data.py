"""The open data sets beside the checkout, as logs for tests of the fits; nothing is copied."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest

from sim.fit.log import Log, LogOptions, read_log

DATA = Path(__file__).resolve().parents[2] / "shared" / "data"

# What the notes of the sets say of a file and no header can: rows that are means of their bin.
MEANS = frozenset({"drive_US06_25C", "drive_HWFET_25C"})
# The rest temperature is the better estimate of the air where both are given (its NOTE).
AIR_COLUMN = {"chamber_18650_2p6Ah": "ambient_from_rest_C"}


def log_path(set_name: str, name: str) -> Path:
    """Return the path of one file of a set, or skip where the data don't stand beside."""
    path = DATA / set_name / f"{name}.csv"
    if not path.is_file():
        pytest.skip(f"open data shared/data/{set_name}/{name}.csv is not beside this checkout")
    return path


@cache
def log(set_name: str, name: str) -> Log:
    """Return one file of a set, without its `.csv`, as a log."""
    options = LogOptions(ambient_column=AIR_COLUMN.get(set_name))
    return read_log(log_path(set_name, name), options, means=name in MEANS)


def logs(set_name: str, *names: str) -> list[Log]:
    """Return files of a set as logs, in the order asked for."""
    return [log(set_name, name) for name in names]
