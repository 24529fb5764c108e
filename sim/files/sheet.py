"""From bytes to fields under headers, before anything is physical.

Delimiter, header line and decimal mark are each decided once for the whole file. A field that
can be read in two ways is never read in either.
"""

from __future__ import annotations

import codecs
import csv
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from sim.errors import InputError, place
from sim.files.figures import NUMBER
from sim.files.headers import BASE_UNIT, Findings, Meaning, TableOptions, find_unit, understand
from sim.files.log_habits import decoded, one_record, refuse_packed

DELIMITERS = {"\t": "tabs", ";": "semicolons", ",": "commas"}
HEADER_WITHIN = 40  # filled lines; a longer preamble is no preamble
_GROUPED = re.compile(r"[+-]?[1-9]\d{0,2}(?:[.,]\d{3})+", re.ASCII)
_STAMP_LIKE = re.compile(r"\d{1,4}[-/.:]\d\d?[-/.: T\d]*.*", re.ASCII)


@dataclass
class Sheet:
    """Stripped fields by column under their headers; `lines` (n,) are the physical lines."""

    delimiter: str
    header_line: int
    meanings: list[Meaning]
    columns: list[list[str]]
    lines: np.ndarray

    @property
    def headers(self) -> list[str]:
        """The names as written."""
        return [meaning.header for meaning in self.meanings]

    def drop(self, first: int, last: int) -> None:
        """Forget the rows from index `first` up to, not including, `last`."""
        self.lines = np.delete(self.lines, slice(first, last))
        for column in self.columns:
            del column[first:last]


def read_sheet(path: Path, options: TableOptions, findings: Findings) -> Sheet:
    """Return the fields of a file; raises InputError where its lines don't make one table."""
    text = _text(path, findings)
    filled = _filled_lines(text, findings)
    delimiter, at = _place_header(filled, options)
    header_line, written = filled[at]
    names = _named(_split(written, delimiter) or [])
    if len(names) < 2:
        what = f"found the single column '{written.strip()}'; accepted: a time and at least one "
        findings.refuse(header_line, what + "more column, parted by commas, semicolons or tabs")
    elif any(NUMBER.fullmatch(name.replace(",", ".")) for name in names):
        what = "numbers where the names of the columns should stand; a line that begins with # "
        findings.refuse(header_line, what + "is a comment, not a header")
    _check_preamble(filled[:at], header_line, len(names), delimiter, findings)
    findings.stop_if_refused()
    below = one_record(filled[at + 1 :], written, header_line, findings)
    units = _unit_row(below, names, delimiter)
    meanings = [understand(name, unit) for name, unit in zip(names, units, strict=True)]
    if any(units):
        _check_units(meanings, units, below.pop(0)[0], findings)
    ends_clean = filled[-1][0] != text.count("\n") + 1
    width = max(len(names) + 1, len(_split(written, delimiter) or []))
    plain = _plain_columns(below, names, delimiter)
    columns, lines = plain or _columns(below, names, width, delimiter, ends_clean, findings)
    findings.stop_if_refused()
    sheet = Sheet(delimiter, header_line, meanings, columns, np.array(lines, dtype=int))
    if not ends_clean and lines and lines[-1] == filled[-1][0]:
        _drop_damaged_tail(sheet, findings)
    if not len(sheet.lines):
        findings.refuse(header_line, "no rows of data under the header")
        findings.stop_if_refused()
    return sheet


def _text(path: Path, findings: Findings) -> str:
    """Return the text with \\n for every line end and without a byte-order mark."""
    try:
        raw = path.read_bytes()
    except (OSError, ValueError) as problem:
        reason = getattr(problem, "strerror", None) or problem
        raise InputError(f"{path}: can't be read: {reason}") from None
    refuse_packed(raw, path)
    if encoding := findings.options.encoding:
        return decoded(raw, encoding, path, findings.options.option("encoding"))
    if raw.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        try:
            return raw.decode("utf-16").replace("\r\n", "\n").replace("\r", "\n")
        except UnicodeDecodeError:
            raise InputError(f"{place(path, line=1)}: begins as UTF-16 text, but is not") from None
    # Line ends first, so that the place of a bad byte counts lines as an editor does.
    raw = raw.removeprefix(codecs.BOM_UTF8).replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError as problem:
        at = problem.start
    try:
        text = raw.decode("cp1252")
    except UnicodeDecodeError as problem:
        line = raw.count(b"\n", 0, problem.start) + 1
        what = f"byte 0x{raw[problem.start]:02X} is neither UTF-8 nor Windows-1252 text"
        raise InputError(f"{place(path, line=line)}: {what}") from None
    what = f"byte 0x{raw[at]:02X} is not UTF-8; the file was read as Windows-1252 text, where it "
    findings.warn("encoding", raw.count(b"\n", 0, at) + 1, f"{what}is '{text[at]}'")
    return text


def _filled_lines(text: str, findings: Findings) -> list[tuple[int, str]]:
    """Return (line number, line) of all but blank lines and comments, none with a NUL."""
    marked = "#" in text
    filled = [
        (number, line)
        for number, line in enumerate(text.split("\n"), start=1)
        if line and not line.isspace() and not (marked and line.lstrip(' "').startswith("#"))
    ]
    # A file cut by a power loss ends in NULs; anywhere else they are damage of unknown extent.
    if "\0" in text and filled:
        if "\0" in filled[-1][1]:
            number, _ = filled.pop()
            findings.warn("truncated", number, "the last line ends in NUL bytes; left out")
        for number, line in filled:
            if "\0" in line:
                option = findings.options.option("encoding", "utf-16-le")
                utf16 = findings.advise(f"; if it is UTF-16 text, say {option}", "")
                findings.refuse(number, "NUL bytes; accepted: text" + utf16)
    if not filled:
        last = text.count("\n") + (not text.endswith("\n"))
        findings.refuse(max(last, 1), "no header; the first filled line names the columns")
    findings.stop_if_refused()
    return filled


def _split(line: str, delimiter: str) -> list[str] | None:
    """Return the stripped fields, None where a quotation mark stays open or stands astray."""
    # Line by line, since a quotation mark left open would swallow all the lines behind it.
    if '"' not in line:
        return [field.strip() for field in line.split(delimiter)]
    try:
        reader = csv.reader([line], delimiter=delimiter, strict=True, skipinitialspace=True)
        return [field.strip() for field in next(reader)]
    except csv.Error:
        return None


def _named(fields: list[str]) -> list[str]:
    """Return a header without the empty names behind its last one."""
    last = max((i for i, name in enumerate(fields) if name), default=-1)
    return fields[: last + 1]


def _is_header(names: list[str], options: TableOptions) -> bool:
    if len(names) < 2 or any(NUMBER.fullmatch(name) for name in names):
        return False
    quantities = {understand(name).quantity for name in names}
    timed = "time" in quantities or options.time_column in names
    return timed and (bool(quantities & BASE_UNIT.keys()) or options.column in names)


def _place_header(filled: list[tuple[int, str]], options: TableOptions) -> tuple[str, int]:
    """Return the delimiter and the index of the header, that which the rows below fit best."""

    def fit(candidate: tuple[str, int]) -> float:
        delimiter, at = candidate
        # By the rows too: "0;41,62;0,00" has as many commas as semicolons.
        size = len(_named(_split(filled[at][1], delimiter) or []))
        sample = [_split(line, delimiter) or [] for _, line in filled[at + 1 : at + 51]]
        return sum(len(row) - size in (0, 1) for row in sample) / max(len(sample), 1)

    def understood(delimiter: str) -> Iterator[tuple[str, int]]:
        for at, (_, line) in enumerate(filled[:HEADER_WITHIN]):
            if _is_header(_named(_split(line, delimiter) or []), options):
                yield delimiter, at
                return

    candidates = [candidate for delimiter in DELIMITERS for candidate in understood(delimiter)]
    if not candidates:  # nobody understands it, so it is the first line and will be complained of
        candidates = [(d, 0) for d in DELIMITERS if len(_split(filled[0][1], d) or []) > 1]
    return max(candidates, key=fit, default=(",", 0))


def _check_preamble(
    before: list[tuple[int, str]], header_line: int, size: int, delimiter: str, findings: Findings
) -> None:
    """Lines ahead of the header are passed over, unless one of them looks like a row of data."""
    for number, line in before:
        fields = _split(line, delimiter) or []
        known = [
            f for f in fields if NUMBER.fullmatch(f.replace(",", ".")) or _STAMP_LIKE.fullmatch(f)
        ]
        if len(fields) == size and 2 * len(known) > size:
            what = f"a row of data ahead of the header on line {header_line}"
            findings.refuse(number, what + "; one header, then the rows")
    if before:
        what = f"lines ahead of line {header_line} were taken as a preamble, and that as the header"
        first = before[0][0]
        findings.background = (first, f"{place(findings.path, line=first)}: {what}")


def _unit_row(below: list[tuple[int, str]], names: list[str], delimiter: str) -> list[str]:
    """Return the fields of a row of units right under the header, blanks where there is none."""
    none = [""] * len(names)
    fields = (_split(below[0][1], delimiter) or []) if below else []
    if len(fields) > len(names) and not any(fields[len(names) :]):  # trailing delimiters
        fields = fields[: len(names)]
    told = [field for field in fields if field]
    known = [field for field in told if find_unit(field)]
    # Most fields, not all: a column of remarks has no unit.
    words_only = not any(NUMBER.fullmatch(field.replace(",", ".")) for field in told)
    if len(fields) != len(names) or not words_only or 2 * len(known) <= len(told):
        return none
    return fields


def _check_units(meanings: list[Meaning], units: list[str], line: int, findings: Findings) -> None:
    for meaning, text in zip(meanings, units, strict=True):
        below = find_unit(text) if text else None
        if below is not None and meaning.unit is not None and below != meaning.unit:
            what = f"the unit here is {below.text}, in the header it is {meaning.unit.text}"
            findings.refuse(line, what, meaning.header)


def _plain_columns(
    below: list[tuple[int, str]], names: list[str], delimiter: str
) -> tuple[list[list[str]], list[int]] | None:
    """Return what `_columns` would, at once; None where any row needs a look of its own."""
    size = len(names)
    whole = "\n".join([line for _, line in below])
    if not below or '"' in whole or {line.count(delimiter) for _, line in below} != {size - 1}:
        return None
    # One flat list: a million lists of fields keep the collector of garbage going through them.
    fields = list(map(str.strip, whole.replace(delimiter, "\n").split("\n")))
    columns = [fields[i::size] for i in range(size)]
    # A row of blanks is left out, and the header may come again.
    if names[0] in columns[0] or ("" in columns[0] and "" in columns[-1]):
        return None
    return columns, [number for number, _ in below]


def _columns(
    below: list[tuple[int, str]],
    names: list[str],
    width: int,
    delimiter: str,
    ends_clean: bool,
    findings: Findings,
) -> tuple[list[list[str]], list[int]]:
    """Return the fields of each column, and lines; complain of every row of another width.

    Up to `width` fields are accepted where those without a name are blank: trailing delimiters.
    """
    size = len(names)
    columns: list[list[str]] = [[] for _ in names]
    lines = []
    for number, line in below:
        fields = _split(line, delimiter)
        if fields is None:
            findings.refuse(number, "a quotation mark that isn't closed on its line")
            continue
        if not any(fields):
            continue
        if size < len(fields) <= width and not any(fields[size:]):
            fields = fields[:size]
        if fields == names:
            what = "the header appears again, a second record begins; part the file here"
            option = findings.options.option("record", "2")
            findings.refuse(number, what + findings.advise(f", or say {option}", ""))
        elif len(fields) == size:
            for column, field in zip(columns, fields, strict=True):
                column.append(field)
            lines.append(number)
        elif len(fields) < size and not ends_clean and number == below[-1][0]:
            what = f"the last line breaks off after {len(fields)} of {size} fields; left out"
            findings.warn("truncated", number, what)
        else:
            findings.refuse(number, f"{len(fields)} fields under the {size} names of the header")
    return columns, lines


def _drop_damaged_tail(sheet: Sheet, findings: Findings) -> None:
    """Leave out a last line without line end whose last field looks cut against its column.

    Cut is a field that is no number under numbers, or one with fewer decimals than all others.
    """
    # Three rows to compare with, or two hand-written ones would condemn a plain "0".
    texts = [text.replace(",", ".") for text in sheet.columns[-1]]
    if len(texts) < 4 or not all(NUMBER.fullmatch(text) for text in texts[:-1]):
        return
    decimals = {len(text.partition(".")[2]) for text in texts[:-1]}
    shorter = len(decimals) == 1 and len(texts[-1].partition(".")[2]) < decimals.pop()
    if NUMBER.fullmatch(texts[-1]) and not shorter:
        return
    what = f"the last line ends without a line end in '{sheet.columns[-1][-1]}', which looks cut "
    findings.warn("truncated", int(sheet.lines[-1]), what + "off against the rows above; left out")
    sheet.drop(len(texts) - 1, len(texts))


def decimal_mark(
    sheet: Sheet, numeric: list[int], options: TableOptions, findings: Findings
) -> str:
    """Return "." or "," for the whole file, from the columns that should hold numbers.

    Three digits behind every mark prove nothing: they may be thousands, and that is refused.
    """
    if options.thousands in (".", ","):
        return "," if options.thousands == "." else "."
    fields = [text for i in numeric for text in sheet.columns[i]]
    joined = "\n".join(fields)
    if "," not in joined:
        mark = "."
    elif "." not in joined:
        mark = ","
    else:
        # The rarer mark is then refused where it stands, not read.
        commas = sum("," in text and "." not in text for text in fields)
        points = sum("." in text and "," not in text for text in fields)
        mark = "," if commas >= points else "."
    if mark in joined and ("," in joined or sheet.delimiter != ","):
        _check_grouping(sheet, numeric, mark, findings)
    return mark


def _check_grouping(sheet: Sheet, numeric: list[int], mark: str, findings: Findings) -> None:
    """Refuse a mark that no column proves to be the decimal one, if thousands would fit it too."""
    doubt: tuple[int, int] | None = None
    for i in numeric:
        column = sheet.columns[i]
        marked = [text for text in column if mark in text]
        plain = [text.lstrip("+-") for text in column if text and mark not in text]
        long = any(len(text) > 3 and NUMBER.fullmatch(text) for text in plain)
        if marked and (long or not all(_GROUPED.fullmatch(text) for text in marked)):
            return
        # A logger prints 12.400 and 0.000 alike; 410 or 0 beside 1.240 speaks for thousands.
        if doubt is None and marked and (mark == "," or plain):
            doubt = i, column.index(marked[0])
    if doubt is not None:
        i, row = doubt
        other = "." if mark == "," else ","
        say = findings.advise(
            f"say {findings.options.option('thousands', mark)}, or '{other}' if it is the decimal "
            "mark",
            "write the numbers without marks for thousands",
        )
        what = f"found {sheet.columns[i][row]}, and nothing shows whether '{mark}' marks thousands"
        findings.refuse(int(sheet.lines[row]), f"{what} or decimals; {say}", sheet.headers[i])
