"""From the fields of a column to numbers: what is one, and what to say of a field that is none."""

from __future__ import annotations

import re

import numpy as np

from sim.files.headers import Findings

LARGEST = 1e18  # a number beyond it is damage; keeps every later product finite
NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?", re.ASCII)
_MARKED = re.compile(r"[+-]?\d{1,3}([.,' _])\d{3}(?:[.,' _]\d+)*", re.ASCII)
_PLAIN = b"0123456789+-.eE\n"
_ODD_SPACES = str.maketrans(dict.fromkeys("\u00a0\u2009\u202f", " "))


def numbers(texts: list[str], decimal: str, thousands: str | None) -> tuple[np.ndarray, list[int]]:
    """Return values (n,), NaN where a field is no finite number, and the indices of those.

    A mark with nothing behind it, 12. among 12.4, is what is left of a number, unless the whole
    column is written so.
    """
    joined = "\n".join(texts)
    cut = []
    if f"{decimal}\n" in joined or joined.endswith(decimal):
        ends = [text.endswith(decimal) for text in texts]
        cut = [] if all(ends) else [i for i, end in enumerate(ends) if end]
    as_points = joined.replace(",", ".") if decimal == "," else joined
    # Of these characters float() makes nothing but plain decimal numbers.
    if _only(as_points, _PLAIN) and not (decimal == "," and "." in joined):
        try:
            values = np.fromiter(map(float, as_points.split("\n")), float, len(texts))
        except ValueError:
            values = np.array([np.inf])
        if np.all(np.abs(values) <= LARGEST) and not cut:
            return values, []
    values = np.array([_number(text, decimal, thousands) for text in texts])
    values[cut] = np.nan
    return values, np.flatnonzero(np.isnan(values)).tolist()


def _only(text: str, known: bytes) -> bool:
    return text.isascii() and not text.encode("ascii").translate(None, known)


def _number(text: str, decimal: str, thousands: str | None) -> float:
    if thousands:
        text = text.translate(_ODD_SPACES)
        # 12.4 with points for thousands is no 124: groups must be whole.
        if thousands in text:
            mark = re.escape(thousands)
            if not re.fullmatch(
                rf"[+-]?\d{{1,3}}(?:{mark}\d{{3}})+(?:{re.escape(decimal)}\d*)?", text
            ):
                return float("nan")
            text = text.replace(thousands, "")
    if decimal == ",":
        text = "" if "." in text else text.replace(",", ".")
    if not NUMBER.fullmatch(text):
        return float("nan")
    value = float(text)
    return value if abs(value) <= LARGEST else float("nan")


def not_a_number(text: str, decimal: str, findings: Findings) -> str:
    """Return what to say of a field that should have been a number."""
    what = f"found '{text}'" if text else "found nothing"
    what += f"; accepted: in every row a finite number such as 12{decimal}4"
    marked = _MARKED.fullmatch(text.translate(_ODD_SPACES))
    if marked:
        option = findings.options.option("thousands")
        what += findings.advise(f"; if '{marked.group(1)}' marks thousands, say so by {option}", "")
    return what
