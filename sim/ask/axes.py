"""What is varied: any key of a scenario that holds one number, over a range of even steps."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from difflib import get_close_matches
from functools import cache
from pathlib import Path
from types import NoneType, UnionType
from typing import Annotated, Any, Union, get_args, get_origin

from pydantic import BaseModel

from sim.errors import InputError, nearest
from sim.files.case import merged
from sim.files.cell_schema import CellProfile
from sim.files.scenario_schema import ScenarioTable
from sim.files.toml import read_toml

PARALLEL = "pack.parallel"
MOST_CANDIDATES = 100_000  # about an hour on one core, and 100 MB of rows
ANY = "*"  # stands for the name or number of one entry in an array of tables
IN_VAIN = ("conductor", "fuse", "wiring", "odds")  # tables that other commands answer for

Changes = tuple[tuple[str, float], ...]  # dotted keys and what stands there instead


@dataclass(frozen=True)
class Axis:
    """One dotted key and its values, rising. Whole numbers are `int`, as the schema wants them.

    `missed` is the STOP that was asked for, where no step comes to it.
    """

    key: str
    values: tuple[float, ...]
    missed: float | None = None


def _kinds(annotation: Any) -> set[Any]:
    """Return the types that an annotation allows, without None, Annotated and what is in lists."""
    if get_origin(annotation) is Annotated:
        return _kinds(get_args(annotation)[0])
    if get_origin(annotation) in (Union, UnionType):
        return set().union(*(_kinds(kind) for kind in get_args(annotation)))
    return set() if annotation is NoneType else {annotation}


@cache
def numeric_keys() -> dict[str, type]:
    """Return every dotted key of a scenario that may hold one number, as `int` or `float`.

    Keys of the cell profile stand under `cell.`, as the scenario's [cell] overrides them. Keys of
    an array of tables, such as [[unit]], have `ANY` where an entry is named: "unit.*.cell_C".
    """
    found: dict[str, type] = {}

    def walk(model: type[BaseModel], prefix: str) -> None:
        for name, field in model.model_fields.items():
            kinds = {CellProfile} if prefix + name == "cell" else _kinds(field.annotation)
            for kind in kinds:
                if kind in (int, float):
                    found[prefix + name] = kind
                elif _is_table(kind):
                    walk(kind, f"{prefix}{name}.")
                elif get_origin(kind) is list and _is_table(get_args(kind)[0]) and not prefix:
                    walk(get_args(kind)[0], f"{name}.{ANY}.")

    walk(ScenarioTable, "")
    return found


def _is_table(kind: Any) -> bool:
    return isinstance(kind, type) and issubclass(kind, BaseModel)


@cache
def arrays() -> tuple[str, ...]:
    """Return the names of a scenario's arrays of tables that hold numbers."""
    return tuple(sorted({k.split(".")[0] for k in numeric_keys() if f".{ANY}." in k}))


def parts_of(key: str) -> list[str]:
    """Return the steps of a dotted key; the name of an entry in an array may hold dots."""
    table, _, rest = key.partition(".")
    if table not in arrays() or "." not in rest:
        return key.split(".")
    entry, _, name = rest.rpartition(".")
    return [table, entry, name]


def general(key: str) -> str:
    """Return a key with `ANY` in the place of an entry's name or number, as in `numeric_keys`."""
    parts = parts_of(key)
    return f"{parts[0]}.{ANY}.{parts[2]}" if parts[0] in arrays() and len(parts) == 3 else key


def _steps(
    text: str, option: str, form: str, step: str | None = None
) -> tuple[tuple[Decimal, ...], float | None]:
    """Return all values from START to STOP in exact decimal steps, and STOP where they miss it.

    One number stands for itself; `step` stands in where it may be left out.
    """
    wrong = InputError(f"{option} {text} can't be understood; accepted: {form}")
    parts = text.split(":")
    if len(parts) == 2 and step is not None:
        parts.append(step)
    try:
        numbers = [Decimal(part.strip()) for part in parts]
    except InvalidOperation:
        raise wrong from None
    if len(numbers) == 1:
        numbers = [numbers[0], numbers[0], Decimal(1)]
    if len(numbers) != 3 or not all(number.is_finite() for number in numbers):
        raise wrong
    start, stop, by = numbers
    if by <= 0 or stop < start:
        raise InputError(
            f"{option} {text} has no values; accepted: a START up to STOP, STEP above 0"
        )
    most = InputError(f"{option} {text} has too many values; accepted: up to {MOST_CANDIDATES}")
    try:
        count = int((stop - start) // by) + 1
    except InvalidOperation:  # more than any decimal can count
        raise most from None
    if count > MOST_CANDIDATES:
        raise most
    values = tuple(start + n * by for n in range(count))
    return values, None if values[-1] == stop else float(stop)


def parallel_axis(text: str) -> Axis:
    """Return the axis of `--parallel A:B[:STEP]`; raise InputError where it has no whole values."""
    form = "A:B or A:B:STEP, such as 6:30"
    values, missed = _steps(text, "--parallel", form, step="1")
    if any(value != int(value) for value in values):
        raise InputError(f"--parallel {text} is not in whole numbers; accepted: {form}")
    return Axis(PARALLEL, tuple(int(value) for value in values), missed)


def vary_axis(text: str) -> Axis:
    """Return the axis of `--vary KEY=START:STOP:STEP`; raise InputError for an unknown key."""
    form = "KEY=START:STOP:STEP, such as ambient.high_C=30:45:5"
    key, equals, steps = text.partition("=")
    key = key.strip()
    if not equals:
        raise InputError(f"--vary {text} can't be understood; accepted: {form}")
    known = numeric_keys()
    if general(key) not in known:
        raise InputError(f"--vary '{key}' is no key that holds a number{_nearest(key)}")
    values, missed = _steps(steps, f"--vary {key} =", "START:STOP:STEP, such as 30:45:5")
    table = key.partition(".")[0]
    if table in IN_VAIN:
        raise InputError(f"--vary {key} changes nothing: no candidate is judged by [{table}]")
    whole = known[general(key)] is int  # what is not whole, the schema will refuse in its own words
    numbers = tuple(int(v) if whole and v == int(v) else float(v) for v in values)
    return Axis(key, numbers, missed)


def axes_of(parallel: str | None, vary: Sequence[str]) -> list[Axis]:
    """Return the axes that the options ask for; raise InputError unless they are one or two."""
    axes = [] if parallel is None else [parallel_axis(parallel)]
    axes += [vary_axis(text) for text in vary]
    if not 1 <= len(axes) <= 2:
        what = "nothing is varied" if not axes else f"{len(axes)} axes are too many"
        raise InputError(f"{what}; accepted: --parallel A:B, --vary KEY=START:STOP:STEP, or both")
    return axes


def _nearest(key: str) -> str:
    """Return the hint for an unknown key: the nearest, the numbers of its table, or the tables."""
    table, _, name = key.rpartition(".")
    first = key.partition(".")[0]
    if first in arrays():
        inside = [k.rpartition(".")[2] for k in numeric_keys() if k.startswith(f"{first}.{ANY}.")]
        form = f"{first}.ENTRY.KEY, ENTRY counted from 1 or by name"
        return f"; accepted: {form}, KEY one of {', '.join(inside)}"
    known = list(numeric_keys())
    alike = [k for k in known if k.rpartition(".")[2] == name]
    alike = [k for k in alike if ANY not in k] or alike
    same_name = [f"'{k.replace(ANY, '1')}'" for k in alike]
    if same_name:
        return f"; did you mean {' or '.join(same_name)}?"
    for within in (table, key):
        beside = [k for k in known if within and k.startswith(f"{within}.")]
        if beside:
            return nearest(key, beside)
    close = get_close_matches(key, known, n=1, cutoff=0.6)
    tables = ", ".join(sorted({k.split(".")[0] for k in known}))
    return nearest(key, close) if close else f"; accepted: TABLE.KEY with a table of {tables}"


def must_hold_number(key: str, content: dict[str, Any], path: Path) -> None:
    """Raise InputError where `key` now holds a table of the cell profile, or names no entry.

    One number in a table's place would answer a question that nobody asked.
    """
    steps = parts_of(key)
    if steps[0] in arrays():
        _place(content.get(steps[0]), steps, path)
        return
    if steps[0] != "cell" or not isinstance(content.get("cell"), dict):
        return
    profile = content["cell"].get("profile")
    if not isinstance(profile, str):
        return  # the schema says so in its own words
    found: Any = merged(read_toml(path.parent / profile), content["cell"])
    for step in steps[1:]:
        found = found.get(step) if isinstance(found, dict) else None
    if isinstance(found, list):
        raise InputError(f"{key} is a table in {profile}; accepted: a key that holds one number")


def _place(entries: Any, steps: list[str], path: Path | None = None) -> int:
    """Return which entry of an array of tables is meant, from 0, by its name or its number.

    Raises InputError where there is none, or more than one of that name.
    """
    table, entry, _ = steps
    where = "" if path is None else f"{path}: "
    known = entries if isinstance(entries, list) else []
    names = [one.get("name") if isinstance(one, dict) else None for one in known]
    if names.count(entry) == 1:
        return names.index(entry)
    if entry in names:
        numbers = ", ".join(str(at) for at, name in enumerate(names, 1) if name == entry)
        raise InputError(
            f"{where}[[{table}]] {numbers} are all named '{entry}'; accepted: one of the numbers"
        )
    if entry.isdecimal() and 1 <= int(entry) <= len(known):
        return int(entry) - 1
    told = [f"{at} ({name})" if name else str(at) for at, name in enumerate(names, 1)]
    accepted = ", ".join(told) if told else "a scenario that has [[" + table + "]]"
    raise InputError(
        f"{where}there is no [[{table}]] {entry}, they count from 1; accepted: {accepted}"
    )


def replaced(content: dict[str, Any], changes: Changes) -> dict[str, Any]:
    """Return a scenario's content with the given dotted keys in place; `content` stays as it is.

    Raises InputError where a key names no entry of an array of tables.
    """
    for key, value in changes:
        steps = parts_of(key)
        if steps[0] in arrays():
            entries = content.get(steps[0])
            at = _place(entries, steps)
            assert isinstance(entries, list)  # or there would be no such place
            entry = {**entries[at], steps[2]: value}
            content = {**content, steps[0]: [*entries[:at], entry, *entries[at + 1 :]]}
            continue
        over: dict[str, Any] = {}
        here = over
        *tables, name = steps
        for table in tables:
            here[table] = {}
            here = here[table]
        here[name] = value
        content = merged(content, over)
    return content


def text_of(value: float) -> str:
    """Return a value as it was asked for: "40", "0.35"."""
    return str(value).removesuffix(".0")
