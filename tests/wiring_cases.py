"""The cases that lie beside the checkout, by number; a test skips where they are not there."""

from __future__ import annotations

import json
import re
from functools import cache
from pathlib import Path
from typing import Any

import pytest

CASES = Path(__file__).resolve().parents[2] / "shared" / "cases" / "cases.md"


@cache
def _blocks() -> dict[str, dict[str, Any]]:
    text = CASES.read_text(encoding="utf-8")
    found = [json.loads(block) for block in re.findall(r"```json\n(.*?)```", text, re.S)]
    return {block["id"]: block for block in found}


def case(number: str) -> tuple[dict[str, Any], dict[str, Any]]:
    """Return what a case gives and what it expects."""
    if not CASES.exists():
        pytest.skip("the cases (shared/cases/cases.md beside the checkout) are not there")
    block = _blocks()[number]
    return block["given"], block["expect"]


def between(block: dict[str, Any]) -> tuple[float, float]:
    """Return the ends of an interval."""
    low, high = block["between"]
    return low, high
