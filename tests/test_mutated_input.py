"""Files at random: each is refused in sentences or describes a sound case, and nothing third."""

from __future__ import annotations

import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from small_day import BOX, CELL, SCENARIO, answer, changed, dump, load_csv, write_day

from sim.errors import InputError
from sim.files.case import Case, assemble

UNUSABLE = 2
WHOLE = changed(
    SCENARIO,
    {
        "cell.capacity_Ah": 3.2,
        "cell.heat": {"core_J_K": 40.0},
        "cell.polarisation": [{"resistance_mohm": 15.0, "time_constant_s": 30.0}],
        "pack.joint_mohm": 0.4,
        "ambient": {"low_C": 15.0, "high_C": 30.0, "warmest": "15:00"},
        "cooling": {"exposed_fraction": 0.6, "emissivity": 0.8, "axis": "standing"},
        "enclosure": {**BOX, "sun_W": 60.0, "sunrise": "06:00", "other_heat_W": 5.0},
        "limits": {"core_max_C": 60.0, "cutoff_V": 3.0, "reserve_percent": 15.0},
        "start": {"charge_percent": 90.0, "cell_C": 20.0},
    },
)


def places(content: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Return the path of every key in nested tables and lists."""
    inside = (
        content.items()
        if isinstance(content, dict)
        else enumerate(content)
        if isinstance(content, list)
        else ()
    )
    return [p for key, value in inside for p in [(*path, key), *places(value, (*path, key))]]


NUMBERS = st.one_of(
    st.integers(-5, 120),
    st.integers(),
    st.floats(),
    st.floats(-100.0, 100.0),
    st.sampled_from([0, -1, 10**400, 1e308, 5e-324, -0.0]),
)
WORDS = st.one_of(st.text(max_size=8), st.sampled_from(["06:30", "", ".", "\0", "load.csv", "é"]))
VALUES = st.recursive(
    st.one_of(NUMBERS, WORDS, st.booleans(), st.just(datetime.time(6, 30))),
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(WORDS, inner, max_size=3)),
    max_leaves=5,
)
MUTATIONS = st.lists(
    st.tuples(
        st.sampled_from(places(WHOLE)),
        st.sampled_from(["drop", "replace", "rename", "nest", "add"]),
        VALUES,
        st.one_of(st.text(max_size=6), st.sampled_from(["serie", "float", "profile"])),
    ),
    min_size=1,
    max_size=4,
)


def mutated(content: Any, path: tuple[Any, ...], how: str, value: Any, name: str) -> Any:
    """Return a copy in which one thing has happened at `path`, where it is still there."""
    if not isinstance(content, dict | list):
        return content
    copy = content.copy()
    key, *rest = path
    there = key in copy if isinstance(copy, dict) else isinstance(key, int) and key < len(copy)
    if not there:
        return copy
    if rest:
        copy[key] = mutated(copy[key], tuple(rest), how, value, name)
    elif how == "drop":
        del copy[key]
    elif how == "replace":
        copy[key] = value
    elif how == "nest":
        copy[key] = {name: copy[key]}
    elif isinstance(copy, dict):
        copy[name] = copy.pop(key) if how == "rename" else value
    return copy


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("mutations")
    write_day(path)
    return path


@settings(max_examples=400, deadline=None)
@given(mutations=MUTATIONS)
@example(mutations=[])
def test_a_mutated_scenario_is_refused_or_describes_a_sound_case(folder, mutations):
    content: Any = WHOLE
    for mutation in mutations:
        content = mutated(content, *mutation)

    try:
        case = assemble(content, folder / "day.toml")
    except InputError as refused:
        assert refused.complaints
        assert all(isinstance(line, str) and len(line) > 10 for line in refused.complaints)
        return

    assert isinstance(case, Case)
    assert case.limits.cutoff_V < case.limits.full_V
    assert np.all(np.isfinite(case.start))
    assert np.all(case.legs.end_s > case.legs.start_s)
    assert np.all(np.isfinite(case.legs.value))
    assert np.all(np.isfinite(case.plant.cell.layers))


@st.composite
def damaged(draw: st.DrawFn, text: str) -> bytes:
    """Bytes at random, or a good text with a few places cut out, doubled or overwritten."""
    if draw(st.integers(0, 3)) == 0:
        return draw(st.binary(max_size=200))
    data = text.encode()
    for _ in range(draw(st.integers(1, 4))):
        at = draw(st.integers(0, len(data)))
        until = min(len(data), at + draw(st.integers(0, 12)))
        piece = draw(st.one_of(st.binary(max_size=6), st.text(max_size=6).map(str.encode)))
        data = data[:at] + piece + data[until:]
    return data


CELL_TEXT, SCENARIO_TEXT, LOAD_TEXT = dump(CELL), dump(WHOLE), load_csv()


@pytest.mark.parametrize(
    "name, text",
    [("day.toml", SCENARIO_TEXT), ("cell.toml", CELL_TEXT), ("load.csv", LOAD_TEXT)],
)
@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_damaged_bytes_are_refused_in_lines_or_understood(folder, name, text, data):
    write_day(folder)
    (folder / name).write_bytes(data.draw(damaged(text)))

    code, out, err = answer("check", folder / "day.toml")

    assert code in (0, UNUSABLE)
    assert (out == "") == (code == UNUSABLE)
    assert (err != "") == (code == UNUSABLE)
    assert all(line.isprintable() and len(line) > 10 for line in err.splitlines())
