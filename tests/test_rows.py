"""Tables are written as pandas writes them, text for text, but that a nought has no sign."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
from hypothesis import given, settings
from hypothesis import strategies as st

from sim.show.rows import clocks, write_columns, write_series
from sim.units import clock_text

NUMBERS = st.floats() | st.sampled_from([0.1 + 0.2, -0.0, 1e22, 5e-324, 1e16, 123456.789])
WORDS = st.text(st.sampled_from('abé ,;"\n'), min_size=1)


def of_pandas(frame: pd.DataFrame, path: Path, **how) -> bytes:
    frame.to_csv(path, index=False, **how)
    return path.read_bytes()


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(NUMBERS, WORDS, st.integers(-9, 10**6)), min_size=1, max_size=30))
def test_columns_read_as_pandas_writes_them(tmp_path_factory, rows):
    path = tmp_path_factory.mktemp("rows") / "rows.csv"
    number, word, count = zip(*rows, strict=True)
    columns = {"value_V": np.array(number), "who, where": list(word), "count": np.array(count)}
    write_columns(columns, path)
    ours = path.read_bytes()
    assert ours == of_pandas(pd.DataFrame({**columns, "value_V": np.array(number) + 0.0}), path)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(NUMBERS, WORDS, st.none() | NUMBERS), max_size=20))
def test_events_read_as_pandas_writes_them_with_six_decimals(tmp_path_factory, rows):
    path = tmp_path_factory.mktemp("rows") / "rows.csv"
    names = ["time_s", "event", "until_s"]
    columns = {name: [row[k] for row in rows] for k, name in enumerate(names)}
    write_columns(columns, path, decimals=6)
    ours = path.read_bytes()
    frame = pd.DataFrame(rows, columns=names)
    assert ours == of_pandas(frame, path, float_format="{:z.6f}".format)


def texts_of(path: Path) -> list[list[str]]:
    return [line.split(",") for line in path.read_text(encoding="ascii").splitlines()]


def as_written(value: float) -> str:
    """Return a rounded number as Python writes it, but without an exponent or a nought's sign."""
    if np.isnan(value):
        return ""
    return np.format_float_positional(value + 0.0, trim="0") if abs(value) < 1e9 else repr(value)


@settings(max_examples=100, deadline=None)
@given(st.lists(st.floats() | st.floats(-1e4, 1e4), min_size=1, max_size=30), st.integers(1, 6))
def test_a_series_reads_as_python_writes_its_rounded_numbers(tmp_path_factory, numbers, decimals):
    path = tmp_path_factory.mktemp("rows") / "series.csv"
    values = np.array(numbers)
    with np.errstate(over="ignore"):  # 1e308 times a thousand
        write_series({"a_V": (values, decimals), "b_V": (-values, decimals)}, path)
        rounded = np.round(values, decimals)

    head, *rows = texts_of(path)
    assert head == ["a_V", "b_V"]
    # Where a column holds what is no number, or one beyond all digits, all are written by repr.
    by_repr = not np.all(np.abs(values) * 10.0**decimals < 1e15)
    for (one, other), value in zip(rows, rounded.tolist(), strict=True):
        if by_repr:
            assert (one, other) == ("", "") if np.isnan(value) else float(one) == value
        else:
            assert [one, other] == [as_written(value), as_written(-value)]


def test_a_long_series_loses_no_row_and_has_the_clock_of_each(tmp_path):
    rng = np.random.default_rng(3)
    time_s = np.cumsum(rng.uniform(0.5, 20.0, 20_000))  # more than is written at once; days
    columns = {"time_s": (time_s, 3), "clock": clocks(80_000.0 + time_s), "x_W": (-time_s, 1)}
    write_series(columns, tmp_path / "series.csv")

    _, *rows = texts_of(tmp_path / "series.csv")
    assert [float(row[0]) for row in rows] == np.round(time_s, 3).tolist()
    told = [clock_text(80_000.0 + t, seconds=True) for t in time_s.tolist()]
    assert [row[1] for row in rows] == told and "+3d" in told[-1]
    assert [float(row[2]) for row in rows] == np.round(-time_s, 1).tolist()
