"""Random logs with known numbers, ways to damage them, and a judge of what the reader makes of it.

The judge is a second, narrow reader: it is told delimiter, decimal mark, units and sign, and takes
a field for a number only where it is one letter by letter. A damaged log must be refused, or carry
a note on the damaged line, or be read to exactly the numbers that this judge finds in it; a change
that only alters the writing must be read to the numbers of the unchanged log.
"""

from __future__ import annotations

import random
import re
from collections.abc import Callable
from dataclasses import dataclass, field, replace

from sim.files.tables import TableOptions

LOG = ("current", "voltage", "temperature")
QUANTITIES = ("current", "voltage", "temperature")
# Header, and how many of its units make one ampere, volt, degree.
CURRENTS = (("current_A", 1), ("Strom [A]", 1), ("current_mA", 1000), ("pack current (mA)", 1000))
VOLTAGES = (("voltage_V", 1), ("Spannung [V]", 1), ("pack_mV", 1000))
TEMPERATURES = (("temperature_C", 1), ("Temperatur [°C]", 1), ("temp_dC", 10))
CLOCKS = (("time_s", "s"), ("Zeit [s]", "s"), ("time_ms", "ms"), ("time", "clock"),
          ("timestamp", "date"), ("Datum", "day first"))  # fmt: skip
STEP_S = 10
NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?", re.ASCII)


@dataclass(frozen=True)
class Log:
    """A log as text in pieces, and what its numbers mean; `sign` -1 counts discharge negative."""

    headers: list[str]
    rows: list[list[str]]
    clock: str
    scale: dict[str, int]
    delimiter: str = ","
    mark: str = "."
    newline: str = "\n"
    quoted: bool = False
    trailing: bool = False
    preamble: tuple[str, ...] = ()
    units: list[str] | None = None
    sign: int = 1
    encoding: str = "utf-8"
    ends: bool = True

    @property
    def head(self) -> list[str]:
        """The lines ahead of the first row."""
        lines = [*self.preamble, self.line(self.headers)]
        return lines + ([self.line(self.units)] if self.units else [])

    def line(self, fields: list[str]) -> str:
        """Return one row as a line."""
        written = [f'"{text}"' for text in fields] if self.quoted else fields
        return self.delimiter.join(written) + (self.delimiter if self.trailing else "")

    def lines(self) -> list[str]:
        """Return all lines."""
        return [*self.head, *(self.line(row) for row in self.rows)]

    def raw(self, lines: list[str] | None = None) -> bytes:
        """Return the file."""
        text = self.newline.join(self.lines() if lines is None else lines)
        return (text + self.newline * self.ends).encode(self.encoding)

    @property
    def options(self) -> TableOptions:
        """What the reader has to be told."""
        return TableOptions(discharge="positive" if self.sign == 1 else "negative")


@dataclass(frozen=True)
class Mutant:
    """A file, its kind of damage, and what must come of it.

    `must` is "same" (read to the numbers of the log), "refuse", "told" (refused, or a note on one
    of `lines`) or "letter" (as the strict judge reads it).
    """

    kind: str
    must: str
    raw: bytes
    log: Log
    lines: tuple[int, ...] = field(default=())


def plain(value: float, places: int, mark: str) -> str:
    """Return a number with so many places."""
    return f"{value:.{places}f}".replace(".", mark)


def stamp(clock: str, seconds: int) -> str:
    """Return a time so many seconds after 23:58:20 of 30 January."""
    if clock in ("s", "ms"):
        return str(seconds * (1000 if clock == "ms" else 1))
    day, rest = divmod(86300 + seconds, 86400)
    text = f"{rest // 3600:02d}:{rest % 3600 // 60:02d}:{rest % 60:02d}"
    month, day = (1, 30 + day) if day < 2 else (2, day - 1)
    written = {"date": f"2024-{month:02d}-{day:02d}T", "day first": f"{day:02d}.{month:02d}.2024 "}
    return written.get(clock, "") + text


def random_log(rng: random.Random) -> Log:
    """Return an invented log of a pack in one of many ways to write it down."""
    delimiter, mark = rng.choice([(",", "."), (",", "."), (";", "."), (";", ","), ("\t", ",")])
    chosen = [rng.choice(names) for names in (CURRENTS, VOLTAGES, TEMPERATURES)]
    header, clock = rng.choice(CLOCKS)
    scale = {q: factor for q, (_, factor) in zip(QUANTITIES, chosen, strict=True)}
    sign = rng.choice([1, 1, 1, -1])
    size = rng.randint(8, 16)
    start = {"clock": 0, "date": 0, "day first": 70}.get(clock, rng.choice([0, 1000]))
    rows = []
    for i in range(size):
        load_A = 0.0 if i in (0, size - 1) else rng.uniform(1.0, 31.0) * rng.choice([1, 1, 1, -0.2])
        values = [sign * load_A, 41.6 - 0.004 * i - 0.05 * load_A, 21.0 + 0.3 * i]
        fields = [
            plain(value * factor, {1: 2, 10: 0, 1000: 0}[factor], mark)
            for value, (_, factor) in zip(values, chosen, strict=True)
        ]
        rows.append([stamp(clock, start + STEP_S * i), *fields])
    log = Log([header, *(name for name, _ in chosen)], rows, clock, scale, delimiter, mark)
    log = replace(log, sign=sign, newline=rng.choice(["\n", "\n", "\r\n"]))
    if rng.random() < 0.15:
        log = replace(log, preamble=("Device" + delimiter + "box", "# by nobody"))
    if rng.random() < 0.15 and clock in ("s", "ms"):
        below = [clock, *(unit[factor] for unit, (_, factor) in zip(BELOW, chosen, strict=True))]
        log = replace(log, headers=["time", "current", "voltage", "temp"], units=below)
    return replace(
        log,
        quoted=rng.random() < 0.1,
        trailing=rng.random() < 0.1,
        encoding=rng.choice(["utf-8", "utf-8", "utf-8-sig"]),
        ends=rng.random() < 0.9,
    )


BELOW = ({1: "A", 1000: "mA"}, {1: "V", 1000: "mV"}, {1: "degC", 10: "dC"})


# ---- changes of the writing alone


def rewritten(log: Log, rng: random.Random) -> Mutant:
    """Return the same numbers in another dress."""
    how = rng.randrange(7)
    if how == 0:
        return Mutant("quotes", "same", replace(log, quoted=not log.quoted).raw(), log)
    if how == 1:
        return Mutant("trailing delimiter", "same", replace(log, trailing=True).raw(), log)
    if how == 2:
        order = rng.sample(range(4), 4)
        if order[0] != 0 and log.headers[0] == "Datum":
            order = [0, *(i for i in order if i)]

        def turned(fields: list[str]) -> list[str]:
            return [fields[i] for i in order]

        units = turned(log.units) if log.units else None
        other = replace(log, headers=turned(log.headers), units=units)
        return Mutant(
            "columns shuffled",
            "same",
            replace(other, rows=[turned(r) for r in log.rows]).raw(),
            log,
        )
    if how == 3:
        lines = log.lines()
        for _ in range(rng.randint(1, 3)):
            at = rng.randint(len(log.head), len(lines))
            lines.insert(at, rng.choice(["", "# a remark; 1,2", "   ", log.delimiter * 3]))
        return Mutant("remarks and blanks", "same", log.raw(lines), log)
    if how == 4:
        rows = [
            [rng.choice(["", " "]) + text + rng.choice(["", " "]) for text in r] for r in log.rows
        ]
        return Mutant("spaces", "same", replace(log, rows=rows).raw(), log)
    if how == 5:
        rows = [[row[0], *("+" + t if t[0] != "-" else t for t in row[1:])] for row in log.rows]
        return Mutant("plus signs", "same", replace(log, rows=rows).raw(), log)
    return Mutant("line ends", "same", replace(log, newline=rng.choice(["\r\n", "\r"])).raw(), log)


# ---- damage that a careful reader must see


def _one_field(log: Log, rng: random.Random, change: Callable[[str], str]) -> tuple[bytes, int]:
    """Change one number of the current, voltage or temperature; return the file and the line."""
    i, k = rng.randrange(1, len(log.rows) - 1), rng.randint(1, 3)
    row = [*log.rows[i][:k], change(log.rows[i][k]), *log.rows[i][k + 1 :]]
    rows = [*log.rows[:i], row, *log.rows[i + 1 :]]
    return replace(log, rows=rows).raw(), len(log.head) + i + 1


def _no_number(log: Log, rng: random.Random) -> Mutant:
    other = "," if log.mark == "." else "."
    grouped = f"1{other}234{log.mark}5" if other != log.delimiter else "1'234.5"
    junk = ["", "nan", "inf", "ERR", "1O.5", "l2", "--5", "5-", "1..2", "0x1F", "1_0", "²", "１２",
            "12 5", "1e", "e5", "12:5", "5%", "1e999", grouped]  # fmt: skip
    raw, line = _one_field(log, rng, lambda _: rng.choice(junk))
    return Mutant("no number", "told", raw, log, (line,))


def _other_mark(log: Log, rng: random.Random) -> Mutant:
    other = "," if log.mark == "." else "."
    raw, line = _one_field(log, rng, lambda text: text.lstrip("+-")[0] + other + "25")
    refuse = "refuse" if other == log.delimiter and not log.quoted else "told"
    # A file whose numbers are all whole has no decimal mark to contradict.
    whole = not any(log.mark in text for row in log.rows for text in row[1:])
    return Mutant("the other decimal mark", "letter" if whole else refuse, raw, log, (line,))


def _fields(log: Log, rng: random.Random) -> Mutant:
    i = rng.randrange(len(log.rows) - 1)
    at = rng.randrange(4)
    row = log.rows[i][:at] + (
        log.rows[i][at + 1 :] if rng.random() < 0.5 else ["7", *log.rows[i][at:]]
    )
    rows = [*log.rows[:i], row, *log.rows[i + 1 :]]
    raw = replace(log, rows=rows, trailing=False).raw()
    return Mutant("a field lost or added", "refuse", raw, log, (len(log.head) + i + 1,))


def _glued(log: Log, rng: random.Random) -> Mutant:
    lines = log.lines()
    i = rng.randrange(len(log.head), len(lines) - 1)
    between = rng.choice(["", log.delimiter])
    lines[i : i + 2] = [lines[i] + between + lines[i + 1]]
    return Mutant("lines glued together", "refuse", log.raw(lines), log, (i + 1,))


def _order(log: Log, rng: random.Random) -> Mutant:
    i = rng.randrange(1, len(log.rows) - 2)
    j = rng.randrange(i + 1, len(log.rows) - 1)
    rows = list(log.rows)
    rows[i], rows[j] = rows[j], rows[i]
    raw = replace(log, rows=rows).raw()
    return Mutant("rows out of order", "refuse", raw, log, (len(log.head) + j + 1,))


def _header_again(log: Log, rng: random.Random) -> Mutant:
    lines = log.lines()
    at = rng.randrange(len(log.head) + 1, len(lines))
    lines.insert(at, log.line(log.headers))
    return Mutant("header again", "refuse", log.raw(lines), log, (at + 1,))


def _sign(log: Log, rng: random.Random) -> Mutant:
    def turn(text: str) -> str:
        return text[1:] if text.startswith("-") else "-" + text

    rows = [[row[0], turn(row[1]), *row[2:]] for row in log.rows]
    return Mutant("sign turned", "refuse", replace(log, rows=rows).raw(), log)


def _wrap(log: Log, rng: random.Random) -> Mutant:
    i = rng.randrange(2, len(log.rows) - 2)
    scale = log.scale["current"]
    rows = [list(row) for row in log.rows]
    for k, value in ((i - 1, 32.5), (i, 33.1 - 65.536)):
        rows[k][1] = plain(log.sign * value * scale, 3 if scale == 1 else 0, log.mark)
    return Mutant("a counter wrapped", "refuse", replace(log, rows=rows).raw(), log)


def _overflow(log: Log, rng: random.Random) -> Mutant:
    value, scale = rng.choice([6552.9, 255.0, -127.0]), log.scale["temperature"]
    i = rng.randrange(len(log.rows))
    rows = [list(row) for row in log.rows]
    rows[i][3] = plain(value * scale, 1 if scale == 1 else 0, log.mark)
    line = len(log.head) + i + 1
    return Mutant("a sensor overflowed", "told", replace(log, rows=rows).raw(), log, (line,))


def _unitless(log: Log, rng: random.Random) -> Mutant:
    bare = ["Strom", "current"][rng.randrange(2)]
    headers = [log.headers[0], bare, *log.headers[2:]]
    return Mutant("unit lost", "refuse", replace(log, headers=headers, units=None).raw(), log)


def _nul(log: Log, rng: random.Random) -> Mutant:
    lines = log.lines()
    i = rng.randrange(len(log.head), len(lines))
    cut = rng.randrange(len(lines[i]))
    lines[i] = lines[i][:cut] + "\0" * rng.randint(1, 9)
    must = "told" if i == len(lines) - 1 else "refuse"
    return Mutant("NUL bytes", must, log.raw(lines), log, (i + 1,))


def _no_time(log: Log, rng: random.Random) -> Mutant:
    i = rng.randrange(len(log.rows))
    rows = [list(row) for row in log.rows]
    rows[i][0] = ""
    line = len(log.head) + i + 1
    return Mutant("no time", "told", replace(log, rows=rows).raw(), log, (line,))


def _open_quote(log: Log, rng: random.Random) -> Mutant:
    lines = replace(log, quoted=False).lines()
    i = rng.randrange(len(log.head), len(lines) - 1)
    lines[i] = '"' + lines[i]
    return Mutant("a quotation mark left open", "refuse", log.raw(lines), log, (i + 1,))


# ---- damage at random, judged letter by letter

BYTES = [bytes([b]) for b in b"0123456789.,;:-+eE \t\n\r\"'#/_\0\xb0\xff"]


def _bytes(log: Log, rng: random.Random) -> Mutant:
    raw = log.raw()
    first = len(log.raw(log.head)) if log.rows else 0
    for _ in range(rng.randint(1, 2)):
        at, gone = rng.randrange(first, len(raw) + 1), rng.choice([0, 1, 1, 1, 2, 5])
        new = rng.choice([*BYTES, b"", bytes([rng.randrange(256)])])
        raw = raw[:at] + new + raw[at + gone :]
    return Mutant("bytes", "letter", raw, log)


def _cut(log: Log, rng: random.Random) -> Mutant:
    raw = log.raw()
    first = len(log.raw([*log.head, log.line(log.rows[0]), log.line(log.rows[1])]))
    return Mutant("cut off", "letter", raw[: rng.randrange(first, len(raw))], log)


def _header_bytes(log: Log, rng: random.Random) -> Mutant:
    lines = log.lines()
    at = len(log.preamble)
    text = lines[at]
    place, gone = rng.randrange(len(text)), rng.choice([0, 1, 1, 2])
    new = rng.choice([*"abcmkAVWCsdh0159 _[](),;.°", ""])
    lines[at] = text[:place] + new + text[place + gone :]
    return Mutant("letters of the header", "header", log.raw(lines), log)


DAMAGES = (
    *(3 * [rewritten]), _no_number, _no_number, _other_mark, _fields, _glued, _order,
    _header_again, _sign, _wrap, _overflow, _unitless, _nul, _no_time, _open_quote,
    *(6 * [_bytes]), _cut, _cut, _header_bytes, _header_bytes,
)  # fmt: skip


def mutant(rng: random.Random) -> Mutant:
    """Return one damaged or rewritten log."""
    return rng.choice(DAMAGES)(random_log(rng), rng)
