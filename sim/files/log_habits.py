"""Habits of some loggers: foreign encodings, several records in a file, blanks between rates.

Each is read only where an option asks for it, or where the whole file shows it.
"""

from __future__ import annotations

import codecs
from pathlib import Path

import numpy as np

from sim.errors import InputError, place
from sim.files.headers import BASE_UNIT, Findings, Meaning

PACKED = {
    b"\x1f\x8b": "a gzip file",
    b"PK\x03\x04": "a zip file or a spreadsheet",
    b"\xd0\xcf\x11\xe0": "an old spreadsheet",
    b"%PDF-": "a PDF file",
    b"MATLAB 5.0": "a MATLAB file",
    b"\x89HDF": "an HDF5 or MATLAB file",
}


def refuse_packed(raw: bytes, path: Path) -> None:
    """Raise InputError for bytes that begin as a file of another kind than text."""
    for begins, kind in PACKED.items():
        if raw.startswith(begins):
            what = f"begins as {kind}; accepted: text; unpack it, or export it as CSV"
            raise InputError(f"{place(path, line=1)}: {what}")


def decoded(raw: bytes, encoding: str, path: Path, option: str) -> str:
    """Return the text of a file in an encoding that the user named, \\n for every line end."""
    try:
        codec = codecs.lookup(encoding)
        text = codec.decode(raw, "strict")[0]
    except UnicodeDecodeError as problem:
        line = raw.count(b"\n", 0, problem.start) + 1
        what = f"byte 0x{raw[problem.start]:02X} is no {encoding} text, as {option} says"
        raise InputError(f"{place(path, line=line)}: {what}") from None
    except (LookupError, UnicodeError):
        what = f"{option} is '{encoding}'; known: utf-8, utf-16, cp1252, latin-1 and others"
        raise InputError(f"{path}: {what}") from None
    if not isinstance(text, str):
        raise InputError(f"{path}: {option} is '{encoding}', which is no encoding of text")
    return text.removeprefix("\ufeff").replace("\r\n", "\n").replace("\r", "\n")


def one_record(
    below: list[tuple[int, str]], header: str, header_line: int, findings: Findings
) -> list[tuple[int, str]]:
    """Return the lines of the record that `options.record` names, between repeats of the header.

    `below` are (line number, line) under the first header; all of them where no record is named.
    """
    number = findings.options.record
    if number is None:
        return below
    starts = [i for i, (_, line) in enumerate(below) if line.strip() == header.strip()]
    edges = [0, *(i + 1 for i in starts), len(below) + 1]
    if not 1 <= number < len(edges):
        what = f"{findings.options.option('record')} is {number}, but the file holds "
        findings.refuse(header_line, f"{what}{len(edges) - 1} records, counted from 1")
        findings.stop_if_refused()
    part = below[edges[number - 1] : edges[number] - 1]
    if len(edges) > 2 and part:
        what = f"record {number} of {len(edges) - 1}, up to line {part[-1][0]}; the others are "
        findings.warn("record", part[0][0], what + "left out")
    return part


def carried(meanings: list[Meaning], columns: list[list[str]]) -> bool:
    """Fill blanks by the value before, in place, in a log of several rates; return whether it is.

    It is one where two columns or more of numbers pause regularly; blanks that last longer than
    those pauses are a sensor that fell silent, and stay blank.
    """
    numeric = [i for i, meaning in enumerate(meanings) if meaning.quantity in BASE_UNIT]
    pauses = {i: _blank_runs(columns[i]) for i in numeric}
    regular = [
        runs for runs in pauses.values() if len(runs) > 1 and max(runs) <= 2 * np.median(runs) + 1
    ]
    if len(regular) < 2:
        return False
    longest = max(max(runs) for runs in regular)
    for i in (i for i, runs in pauses.items() if runs and max(runs) <= longest):
        last = ""
        for k, text in enumerate(columns[i]):
            last = text or last
            columns[i][k] = last
    return True


def _blank_runs(texts: list[str]) -> list[int]:
    """Return how many fields each stretch of blanks has."""
    if "" not in texts:
        return []
    blank = np.array([False, *(not text for text in texts), False])
    edges = np.flatnonzero(np.diff(blank.astype(int)))
    return (edges[1::2] - edges[::2]).tolist()
