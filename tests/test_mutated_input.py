"""Files at random: each is refused in sentences or describes a sound case, and nothing third."""

from __future__ import annotations

import datetime
import random
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from mutated_judge import complaint, local_complaint
from mutated_logs import DAMAGES, mutant, random_log
from small_day import BOX, CELL, SCENARIO, answer, changed, dump, load_csv, write_day
from table_text import read, refusal

from sim.errors import InputError
from sim.files.case import Case, assemble
from sim.files.tables import read_table

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


# ---- logs: a second, narrow reader says what each must be read as, or that it must be refused

INPUTS = Path(__file__).resolve().parents[2] / "shared" / "cases" / "inputs"


# In these a row's value is part of a mean of several, or holds over blanks below it.
JOINED = ("15", "19")
SEPARATE = [p for p in sorted(INPUTS.glob("[0-9]*.csv")) if not p.name.startswith(JOINED)]


def defects(count: int, seed: int, path: Path) -> list[str]:
    rng = random.Random(seed)
    found = []
    for number in range(count):
        made = mutant(rng)
        if said := complaint(made, path):
            found.append(f"{number} {made.kind}: {said}\n{made.raw!r}")
    return found


# Twenty thousand at a time: tests/benchmarks/fuzz_logs.py
def test_three_thousand_mutated_logs_are_refused_told_or_read_letter_by_letter(tmp_path):
    assert defects(3000, 20, tmp_path / "log.csv") == []


@pytest.mark.parametrize("mutate", sorted(set(DAMAGES), key=lambda m: m.__name__))
def test_the_judge_of_each_mutation_sees_a_reader_that_takes_the_file_as_undamaged(
    tmp_path, monkeypatch, mutate
):
    """A judge that can't complain is none: here the reader returns the log before its damage."""
    rng, seen = random.Random(7), []
    for _ in range(60):
        log = random_log(rng)
        made = mutate(log, rng)
        whole = tmp_path / "whole.csv"
        whole.write_bytes(log.raw())
        monkeypatch.setattr(
            "mutated_judge.read_table",
            lambda _, *rest, real=read_table, whole=whole: real(whole, *rest),
        )
        seen.append(complaint(made, tmp_path / "log.csv"))
        monkeypatch.undo()

    if mutate.__name__ in ("rewritten", "_header_bytes"):  # the numbers are those of the log
        assert not any(seen)
    else:
        assert sum(said is not None for said in seen) > 20


@pytest.mark.skipif(not INPUTS.is_dir(), reason="the shared logger files are not here")
@pytest.mark.parametrize("path", SEPARATE, ids=lambda path: path.name)
def test_bytes_changed_in_one_row_of_a_logger_file_change_no_other_row_silently(path, tmp_path):
    rng = random.Random(path.name)

    found = [local_complaint(path, rng, tmp_path / "log.csv") for _ in range(200)]

    assert [said for said in found if said] == []


# ---- defects that the mutations above found once

CLOCK = "time,current_A\n23:58:20,1\n23:58:30,2\n23:58:40,3\n{}\n23:59:00,4\n23:59:10,5\n"
DATED = "time,current_A\n2024-01-30 10:00:00,1\n{} 10:00:10,2\n2024-01-30 10:00:20,3\n"


@pytest.mark.parametrize(
    ("text", "line"),
    [
        (CLOCK.format("8:50,9"), 5),  # what is left of 23:58:50, no morning of the next day
        (CLOCK.format("3:58:50,9"), 5),
        (CLOCK.format("00:00:10,9"), 6),  # a row from behind midnight, then back
        (DATED.format("2024.01-30"), 3),
        (DATED.format("0024-01-30"), 3),
        ("time_s,current_m.A\n0,5000\n1,7000\n", 1),
        ("time_s,current_.A\n0,5000\n1,7000\n", 1),
        ("time_s,current ([A)\n0,5000\n1,7000\n", 1),
        ("time_s,current (]A)\n0,5000\n1,7000\n", 1),
        ("time_s,current_A\n0,5000\n1,7000\n", 2),  # milliamperes that lost their m
    ],
)
def test_what_is_left_of_a_stamp_or_a_unit_is_refused_at_its_line(text, line):
    assert f"line {line} column" in refusal(text)


def test_a_unit_row_may_end_in_a_delimiter_as_all_rows_do():
    table = read("time,current,\ns,mA,\n0,1500,\n2,500,\n")

    assert table.find("current")[0].values.tolist() == [1.5, 0.5]


def test_a_lone_decimal_among_whole_numbers_is_told():
    rows = "".join(f"{i},{220 + i}\n" for i in range(8))

    table = read("time_s,temp_dC\n" + rows + "8,2.25\n", ("temperature",))

    assert [(note.kind, note.line) for note in table.notes] == [("number", 10)]
