"""Tables are written as pandas writes them, text for text, but that a nought has no sign."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
from hypothesis import given, settings
from hypothesis import strategies as st

from sim.show.rows import write_columns

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
