"""TOML files in, checked tables out; everything wrong with a file is said in one go."""

from __future__ import annotations

import json
import re
import tomllib
import types
from pathlib import Path
from typing import Annotated, Any, TypeVar, Union, get_args, get_origin

from pydantic import BaseModel, ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from sim.errors import InputError, nearest

Model = TypeVar("Model", bound=BaseModel)
SHOWN = 60  # characters of a found value
MOST_COMPLAINTS = 12  # about one file; the rest are counted
KINDS = {
    str: "text in quotes",
    int: "a whole number",
    float: "a number",
    bool: "true or false",
    list: "a list",
    dict: "a table",
}
VERBS = ("is ", "holds ")  # how a validator's own words go on from the name of the key
BOUNDS = (("ge", "{} or more"), ("gt", "above {}"), ("le", "up to {}"), ("lt", "below {}"))


def read_toml(path: Path) -> dict[str, Any]:
    """Return a TOML file's content; raise InputError where it can't be read or parsed."""
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError:
        raise InputError(f"{path} is not there; give the path of a TOML file") from None
    except IsADirectoryError:
        raise InputError(f"{path} is a folder; give the path of a TOML file") from None
    except OSError as problem:
        raise InputError(f"{path} can't be read: {problem.strerror}") from None
    except UnicodeDecodeError as problem:
        raise InputError(
            f"{path} is not UTF-8 text (byte {problem.start}); save it as UTF-8"
        ) from None
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise InputError(f"{path} is not valid TOML here: nested too deep") from None
    except ValueError as problem:  # TOMLDecodeError is one, and so is a number of 5000 digits
        raise InputError(f"{path} is not valid TOML: {problem}") from None


def checked(model: type[Model], content: dict[str, Any], file: str) -> Model:
    """Return `content` as `model`; raise InputError with one sentence a complaint."""
    try:
        return model.model_validate(content)
    except ValidationError as problem:
        errors = problem.errors(include_url=False)
        told = sorted({f"{file}: {_sentence(model, error)}" for error in errors})
        rest = len(told) - MOST_COMPLAINTS
        if rest > 0:
            told = [*told[:MOST_COMPLAINTS], f"{file}: and {rest} more"]
        raise InputError(told) from None


def _sentence(model: type[BaseModel], error: ErrorDetails) -> str:
    """Return "[pack] seires ...; found ...; accepted: ..."."""
    steps, kind, message = error["loc"], error["type"], error["msg"]
    where = _key(model, steps)
    if kind == "extra_forbidden":
        return f"{where} is not known here{nearest(str(steps[-1]), _known(model, steps[:-1]))}"
    if kind == "missing":
        return f"{where} is missing; {_wanted(model, steps)}"
    if kind == "value_error":
        said = message.removeprefix("Value error, ")
        return (
            f"{where} {said}" if said.startswith(VERBS) else f"{where}: {said}".removeprefix(": ")
        )
    said = f"{where} is {shown(error['input'])}; accepted: {_accepted(model, error)}"
    return said + _thousandth(model, error)


def _thousandth(model: type[BaseModel], error: ErrorDetails) -> str:
    """Return "; 3.2 Ah if mAh was meant" of a number too great whose key names such units."""
    field, found = _field(model, error["loc"]), error["input"]
    extra = None if field is None else field.json_schema_extra
    if error["type"] != "less_than_equal" or not isinstance(extra, dict) or "milli" not in extra:
        return ""
    if not isinstance(found, int | float) or not found <= 1000.0 * error["ctx"]["le"]:
        return ""
    return f"; {found / 1000.0:g} {extra['milli']} if m{extra['milli']} was meant"


def shown(found: object) -> str:
    """Return a found value as TOML would spell it, cut short."""
    if isinstance(found, dict):
        return "a table"
    if isinstance(found, list):
        return "a list"
    if isinstance(found, str | bool):
        text = json.dumps(found, ensure_ascii=False)
    else:
        try:
            text = str(found)  # of a date, 06:30:00
        except ValueError:  # an integer of thousands of digits
            return "a number of too many digits"
    return text if len(text) <= SHOWN else text[:SHOWN] + " ..."


def _accepted(model: type[BaseModel], error: ErrorDetails) -> str:
    """Return what would have been right in the place of an error."""
    field = _field(model, error["loc"])
    if error["type"] == "literal_error":
        return str(error["ctx"]["expected"])
    if error["type"] == "too_short":
        return f"{error['ctx']['min_length']} or more of them"
    if error["type"] == "string_too_short":
        return "some text"
    if field is None:  # inside a list, where pydantic's own words must do
        return error["msg"].removeprefix("Input should be ").removeprefix("a valid ")
    inner, limits = _alone(field.annotation)
    limits = [*field.metadata, *limits]
    words = _kind(inner)
    bounds = {name: _bound(limits, name) for name, _ in BOUNDS}
    if bounds["ge"] and bounds["le"]:
        return f"{words}, {bounds['ge']} to {bounds['le']}"
    said = " and ".join(form.format(bounds[name]) for name, form in BOUNDS if bounds[name])
    return f"{words}, {said}" if said else words


def _bound(limits: list[Any], name: str) -> str:
    found = [value for limit in limits if (value := getattr(limit, name, None)) is not None]
    return f"{found[0]:g}" if found else ""


def _kind(annotation: Any) -> str:
    """Return in words what a key holds: a number, a table, text."""
    inner, _ = _alone(annotation)
    if _is_table(inner):
        return "a table"
    if get_origin(inner) is list and _is_table(get_args(inner)[0]):
        return "a list of tables, each under double brackets"
    return KINDS.get(get_origin(inner) or inner, "a value")


def _is_table(annotation: Any) -> bool:
    return isinstance(annotation, type) and issubclass(annotation, BaseModel)


def _alone(annotation: Any) -> tuple[Any, list[Any]]:
    """Return a type without its `| None` and `Annotated`, and the bounds that stood there."""
    limits: list[Any] = []
    while True:
        if get_origin(annotation) is Annotated:
            annotation, *more = get_args(annotation)
            limits += [m for extra in more for m in getattr(extra, "metadata", [extra])]
        elif get_origin(annotation) in (Union, types.UnionType):
            annotation = next(kind for kind in get_args(annotation) if kind is not types.NoneType)
        else:
            return annotation, limits


def _fields(model: type[BaseModel]) -> dict[str, FieldInfo]:
    return {field.alias or name: field for name, field in model.model_fields.items()}


def _table_at(model: type[BaseModel], steps: tuple[int | str, ...]) -> type[BaseModel] | None:
    """Return the model of the table that `steps` lead to; None where they lead to none."""
    here: Any = model
    for step in steps:
        if _is_table(here):
            field = _fields(here).get(str(step))
            here = None if field is None else _alone(field.annotation)[0]
        else:  # a list's index or a name in a dictionary of tables
            here = _alone(get_args(here)[-1])[0] if get_args(here) else None
    return here if _is_table(here) else None


def _field(model: type[BaseModel], steps: tuple[int | str, ...]) -> FieldInfo | None:
    table = _table_at(model, steps[:-1])
    return None if table is None or not steps else _fields(table).get(str(steps[-1]))


def _known(model: type[BaseModel], steps: tuple[int | str, ...]) -> list[str]:
    table = _table_at(model, steps)
    return [] if table is None else list(_fields(table))


def _key(model: type[BaseModel], steps: tuple[int | str, ...]) -> str:
    """Return ("pack", "series") as "[pack] series", ("pack",) as "[pack]", numbers from 1."""
    words = [str(step + 1) if isinstance(step, int) else _bare(step) for step in steps]
    if not words:
        return ""
    field = _fields(model).get(words[0])
    one = field is not None and _kind(field.annotation) == "a table"
    if len(words) > 1 or one:
        many = len(steps) > 1 and isinstance(steps[1], int)
        words[0] = f"[[{words[0]}]]" if many else f"[{words[0]}]"
    return " ".join(words)


def _bare(key: str) -> str:
    """Return a key as TOML spells it, in quotes where it needs them."""
    return key if re.fullmatch(r"[\w-]+", key, re.ASCII) else shown(key)


def _own(table: type[BaseModel]) -> list[str]:
    """Return a table's keys without those that it shares with other tables."""
    return [name for name in table.model_fields if name in table.__annotations__]


def _wanted(model: type[BaseModel], steps: tuple[int | str, ...]) -> str:
    """Return what to give for a missing key: a table's keys, or a value."""
    table = _table_at(model, steps)
    if table is not None:
        needed = [name for name, field in _fields(table).items() if field.is_required()]
        return f"it needs {', '.join(needed)}" if needed else f"it holds {', '.join(_own(table))}"
    field = _field(model, steps)
    return f"give {'a value' if field is None else _kind(field.annotation)}"
