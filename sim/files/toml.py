"""TOML files in, checked tables out; everything wrong with a file is said in one go."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from sim.errors import InputError, nearest

Model = TypeVar("Model", bound=BaseModel)
SHOWN = 60  # characters of a found value


def read_toml(path: Path) -> dict[str, Any]:
    """Return a TOML file's content; raise InputError where it can't be read or parsed."""
    try:
        return tomllib.loads(path.read_bytes().decode("utf-8-sig"))
    except FileNotFoundError:
        raise InputError(f"{path} is not there; give the path of a TOML file") from None
    except IsADirectoryError:
        raise InputError(f"{path} is a folder; give the path of a TOML file") from None
    except OSError as problem:
        raise InputError(f"{path} can't be read: {problem.strerror}") from None
    except UnicodeDecodeError as problem:
        raise InputError(f"{path} is not UTF-8 text (byte {problem.start}); save it as UTF-8") from None
    except tomllib.TOMLDecodeError as problem:
        raise InputError(f"{path} is not valid TOML: {problem}") from None
    except RecursionError:
        raise InputError(f"{path} is not valid TOML here: nested too deep") from None


def checked(model: type[Model], content: dict[str, Any], file: str) -> Model:
    """Return `content` as `model`; raise InputError with one sentence a complaint."""
    try:
        return model.model_validate(content)
    except ValidationError as problem:
        errors = problem.errors(include_url=False, include_context=True)
        raise InputError(sorted({_sentence(model, file, e) for e in errors})) from None


def _sentence(model: type[BaseModel], file: str, error: ErrorDetails) -> str:
    """Return "file: [pack] seires ...; found ...; accepted: ..."."""
    steps = [step for step in error["loc"] if step not in ("float", "list[list[float]]")]
    where = f"{file}: {_key(steps)}".rstrip()
    kind, message = error["type"], error["msg"]
    if kind == "extra_forbidden":
        return f"{where} is not known here{nearest(str(steps[-1]), _siblings(model, steps[:-1]))}"
    if kind == "missing":
        return f"{where} is missing; {_wanted(model, steps)}"
    if kind == "value_error":
        return f"{where}: {message.removeprefix('Value error, ')}"
    accepted = message.removeprefix("Input should be ").removeprefix("a valid ")
    found = repr(error["input"])
    if len(found) > SHOWN:
        found = found[:SHOWN] + " ..."
    return f"{where} is {found}; accepted: {accepted}"


def _key(steps: list[int | str]) -> str:
    """Return ("pack", "series") as "[pack] series", ("a", "b", 2) as "[a] b row 3"."""
    words = [f"row {step + 1}" if isinstance(step, int) else str(step) for step in steps]
    if len(words) > 1:
        return f"[{words[0]}] {' '.join(words[1:])}"
    return " ".join(words)


def _fields(model: Any) -> dict[str, Any]:
    return {field.alias or name: field for name, field in model.model_fields.items()}


def _siblings(model: type[BaseModel], steps: list[int | str]) -> list[str]:
    """Return the keys known at the place that `steps` leads to."""
    here: Any = model
    for step in steps:
        if isinstance(step, int) or not hasattr(here, "model_fields"):
            continue
        kinds = _models_in(_fields(here)[step].annotation) if step in _fields(here) else []
        if kinds:
            here = kinds[0]
    return list(_fields(here))


def _models_in(annotation: Any) -> list[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [m for part in getattr(annotation, "__args__", ()) for m in _models_in(part)]


def _wanted(model: type[BaseModel], steps: list[int | str]) -> str:
    """Return what to give for a missing key: a table's keys, or a value."""
    here: Any = model
    for step in steps:
        if hasattr(here, "model_fields") and step in _fields(here):
            kinds = _models_in(_fields(here)[step].annotation)
            here = kinds[0] if kinds else None
    if here is not None and hasattr(here, "model_fields"):
        return f"it holds {', '.join(_fields(here))}"
    return "give it a value"
