"""Every case is told by a test, or the reason stands why none can; see cases.py."""

from __future__ import annotations

import ast
import re
from pathlib import Path

from cases import CASES, COUNT, ELSEWHERE, NOT_EXPRESSED, case

HERE = Path(__file__).resolve().parent
ALL = {f"C{number:02d}" for number in range(1, COUNT + 1)}


def in_file(name: str) -> list[ast.FunctionDef]:
    """Return the tests of a file."""
    tree = ast.parse((HERE / f"{name}.py").read_text(encoding="utf-8"))
    return [n for n in tree.body if isinstance(n, ast.FunctionDef) and n.name.startswith("test_")]


def told_here() -> set[str]:
    """Return the cases that tests of the test_cases files name by `@of`."""
    found = set()
    for path in sorted(HERE.glob("test_cases_*.py")):
        for test in in_file(path.stem):
            for mark in test.decorator_list:
                if isinstance(mark, ast.Call) and getattr(mark.func, "id", "") == "of":
                    found.add(mark.args[0].value)
    return found


def test_every_case_is_told_once_or_its_reason_is_given():
    here = told_here()
    assert here | set(ELSEWHERE) | set(NOT_EXPRESSED) == ALL
    assert not here & set(ELSEWHERE)
    assert not (here | set(ELSEWHERE)) & set(NOT_EXPRESSED)
    assert all(len(reason.split()) > 5 for reason in NOT_EXPRESSED.values())


def test_the_tests_that_tell_a_case_elsewhere_exist():
    for number, (file, name) in ELSEWHERE.items():
        assert name in {test.name for test in in_file(file)}, f"{number}: {file} has no {name}"


def test_the_cases_beside_the_checkout_are_those_counted_here():
    case("C01")  # skips where they are not there
    assert set(re.findall(r'"id": "(C\d\d)"', CASES.read_text(encoding="utf-8"))) == ALL
