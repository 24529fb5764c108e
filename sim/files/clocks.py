"""Time columns: seconds from the first row, out of numbers, clocks of the day or date-times.

Nothing is sorted and nothing is guessed row by row. A dateless clock may pass midnight; any
other step back is refused. Which of two numbers in a date is the day is decided once, for the
whole column.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

from sim.errors import nearest
from sim.files.headers import Findings, Meaning, TableOptions, Unit, find_unit
from sim.files.log_zone import zone_offsets_s
from sim.units import SECONDS_PER_DAY, clock_text

_STAMP = re.compile(
    r"(?:(?:(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})|(\d{1,2})([-/.])(\d{1,2})\5(\d{4}|\d\d))"
    r"(?:[Tt]|,? +))?"
    r"(\d{1,2}):(\d\d)(?::(\d\d)(?:[.,](\d{1,9}))?)?"
    r"(?: ?([AaPp])\.?[Mm]\.?)?(?: ?([Zz]|[+-]\d\d:?\d\d))?",
    re.ASCII,
)
_DATE = re.compile(
    r"\d{4}[-/.]\d{1,2}[-/.]\d{1,2}|\d{1,2}[-/.]\d{1,2}[-/.](?:\d{4}|\d\d)", re.ASCII
)
_DATE_PART = re.compile(r"(?:\d+[-/.])*", re.ASCII)
_STRETCH = re.compile(r"elapsed|uptime|runtime|laufzeit|since|test.?time", re.I)
_CLOCK = re.compile(r"\d{1,2}:\d\d(?::.*)?", re.ASCII)

ACCEPTED = (
    "time_s, time_min or time_h with numbers, time with a clock such as 06:30:00, "
    "or a date-time such as 2024-05-03 06:30:00"
)
TIME_UNITS = ("s", "ms", "us", "min", "h")
MIDNIGHT_STEP_S = -SECONDS_PER_DAY / 2  # assumed: a clock set back is less than half a day off
OUT_OF_ORDER_S = 3600.0  # assumed: a dateless clock that leaps by nearly a day went back
LONGEST_STEP_S = 366 * SECONDS_PER_DAY  # beyond it a clock was set, not a logger left alone
SAME_STEP = 0.02  # steps within 2 % of the median count as equal
REGULAR_SHARE = 0.8  # of all steps; below it the rows are legs of unequal length, not samples


@dataclass(frozen=True)
class Times:
    """A time column as read: seconds from its first row (n,), in file order, not yet checked."""

    seconds: np.ndarray
    start_clock_s: float | None
    is_clock: bool
    what: str


def looks_like_number(texts: list[str]) -> bool:
    """Whether the first filled field is neither a clock nor a date."""
    first = next((text for text in texts if text), "")
    return ":" not in first and not _DATE.match(first)


def choose(
    meanings: list[Meaning],
    texts_of: list[list[str]],
    options: TableOptions,
    findings: Findings,
    line: int,
) -> tuple[int, ...]:
    """Return the index of the time column, two where date and clock stand apart, none if refused.

    `texts_of` holds the fields of each column, `line` is the line of the header.
    """
    headers = [meaning.header for meaning in meanings]
    if options.time_column is not None:
        hits = [i for i, header in enumerate(headers) if header == options.time_column.strip()]
        if len(hits) == 1:
            return (hits[0],)
        hint = nearest(options.time_column, headers)
        findings.refuse(line, f"{len(hits)} columns are named '{options.time_column}'{hint}")
        return ()
    times = [i for i, meaning in enumerate(meanings) if meaning.quantity == "time"]
    # A unit of time alone (day_ms) tells the time only in front; elsewhere it may be a duration.
    named = [i for i in times if meanings[i].by_word] or [i for i in times if i == 0]
    # Date and clock side by side are one time; the clock alone would lose the days.
    if len(named) == 2:
        firsts = [next((text for text in texts_of[i] if text), "") for i in named]
        for date, clock in ((0, 1), (1, 0)):
            if _DATE.fullmatch(firsts[date]) and _CLOCK.fullmatch(firsts[clock]):
                return named[date], named[clock]
    with_unit = [i for i in named if meanings[i].unit is not None]
    for group in (named, with_unit):
        if len(group) == 1:
            return (group[0],)
    found = ", ".join(f"'{header}'" for header in headers)
    name_it = findings.advise(f"; name one by {options.option('time_column')}", "")
    if named:
        several = ", ".join(f"'{headers[i]}'" for i in named)
        if len({headers[i] for i in named}) < len(named):
            name_it = "; give each a name of its own"
        findings.refuse(line, f"several columns could be the time: {several}{name_it}")
    else:
        counter = findings.advise(f" and its unit by {options.option('time_unit')}", "")
        option = options.option("samples_per_second")
        counter += findings.advise(f", or {option} if it counts samples", "")
        what = f"no time column among {found}; accepted: {ACCEPTED}{name_it}{counter}"
        findings.refuse(line, what)
    return ()


def unit_for_numbers(
    meaning: Meaning, options: TableOptions, findings: Findings, line: int
) -> Unit | None:
    """Return the unit of a numeric time column from its header or the options, None if refused."""
    told = None
    if options.samples_per_second is not None:
        option = options.option("samples_per_second")
        if not 0.0 < options.samples_per_second < 1e9 or options.time_unit or meaning.unit:
            what = f"{option} {options.samples_per_second:g} is for a count of samples without a "
            findings.refuse(line, what + "unit of time, a number above 0", meaning.header)
            return None
        words = f"samples, {options.samples_per_second:g} a second"
        return Unit("time", words, over=options.samples_per_second)
    if options.time_unit is not None:
        told = find_unit(options.time_unit)
        if told is None or told.quantity != "time":
            known = ", ".join(TIME_UNITS)
            findings.refuse(
                line, f"{options.option('time_unit')} is '{options.time_unit}'; known: {known}"
            )
            return None
    own = meaning.unit
    if own is not None and told is not None and own != told:
        what = f"the header says {own.text}, {options.option('time_unit')} says {told.text}; "
        what += "drop the option"
        findings.refuse(line, what, meaning.header)
        return None
    unit = told or own
    if unit is None or unit.quantity != "time":
        ways = "name it time_s, time_min or time_h" + findings.advise(
            f", or say its unit by {options.option('time_unit', 's')} (or ms, us, min, h)", ""
        )
        findings.refuse(line, f"numbers without a unit of time; {ways}", meaning.header)
        return None
    return unit


def from_numbers(values: np.ndarray, unit: Unit, header: str) -> Times:
    """Return the times of a numeric column; an epoch, negative or not, counts by differences."""
    # The first row goes before scaling: an epoch in microseconds leaves no digits for it after.
    seconds = (values - values[0]) * unit.times / unit.over
    return Times(seconds, None, False, f"'{header}' ({unit.text})")


def from_stamps(
    texts: list[str],
    lines: np.ndarray,
    meaning: Meaning,
    options: TableOptions,
    findings: Findings,
) -> Times | None:
    """Return the times of a column of clocks or date-times, None if a row was refused."""
    header = meaning.header
    found = [_STAMP.fullmatch(text) for text in texts]
    bad = [i for i, match in enumerate(found) if match is None]
    for i in bad:
        findings.refuse(int(lines[i]), f"found '{texts[i]}'; accepted: {ACCEPTED}", header)
    if bad:
        return None
    parts = [match.groups("") for match in found if match is not None]
    odd = _odd_one(texts, parts)
    if odd is not None:
        what = f"'{texts[odd]}' is written in another way than '{texts[0]}' at the top"
        findings.refuse(int(lines[odd]), what, header)
        return None
    before = len(findings.complaints)
    column = list(zip(*parts, strict=True))
    if not any(column[9]) and not any(column[0] + column[3]) and _may_be_minutes(meaning):
        what = f"found '{texts[0]}': hours and minutes, or minutes and seconds? write 0:00:10, or "
        findings.refuse(int(lines[0]), f"{what}numbers under time_s, time_min or time_h", header)
        return None
    second, fraction = _second_of_day(column, texts, lines, header, findings)
    year_first, day_or_month_first = bool(parts[0][0]), bool(parts[0][3])
    dated = year_first or day_or_month_first
    days = np.zeros(len(texts), dtype=np.int64)
    if options.zone and (not dated or any(column[12])):
        what = f"{options.option('zone')} is for dates and clocks without an offset from UTC"
        findings.refuse(int(lines[0]), f"found '{texts[0]}'; {what}", header)
        return None
    if dated:
        order = "ymd" if year_first else _date_order(column, lines, header, options, findings)
        days = _days(column, order, texts, lines, header, findings)
    if len(findings.complaints) > before:
        return None
    # Whole seconds apart from fractions: since 1970 a double keeps too few digits for both.
    whole = days * int(SECONDS_PER_DAY) + second
    ahead_s, by_zone = _offsets_s(column[12]), ""
    if options.zone:
        ahead_s, by_zone = zone_offsets_s(whole, lines, header, findings)
    whole = whole - ahead_s
    seconds = (whole - whole[0]) + (fraction - fraction[0])
    start_s = float(second[0] + fraction[0]) % SECONDS_PER_DAY
    kind = "date-time" if dated else "clock of the day"
    return Times(seconds, start_s, not dated, f"'{header}' ({kind}{by_zone})")


def _may_be_minutes(meaning: Meaning) -> bool:
    """Whether a header speaks of a stretch of time, or of a unit that a clock does not have."""
    own = "" if meaning.unit is None else meaning.unit.text
    return own not in ("", "h") or _STRETCH.search(meaning.header) is not None


def _odd_one(texts: list[str], parts: list[tuple[str, ...]]) -> int | None:
    """Return the first stamp that is written in another way than the first, None for none.

    06:30 and 06:31:30 are one way; 9:20 among 09:10:00 or 23:10:00 is what is left of a stamp.
    """
    dates = [_DATE_PART.match(text)[0] for text in texts]  # type: ignore[index]
    marks = {date: re.sub(r"\d", "", date) for date in set(dates)}
    forms = [
        (marks[date], len(p[0]), len(p[6]), bool(p[12]))
        for date, p in zip(dates, parts, strict=True)
    ]
    short, lone = (np.array([len(p[k]) < 2 for p in parts]) for k in (9, 7))
    zero = any(len(p[7]) == 2 and p[7][0] == "0" for p in parts)
    mixed = lone.any() and (zero or (short.any() and not short.all() and not lone.all()))
    odd = (lone != lone[0]) if mixed else np.zeros(len(parts), dtype=bool)
    odd |= np.array([form != forms[0] for form in forms])
    return int(np.flatnonzero(odd)[0]) if odd.any() else None


def _whole(texts: tuple[str, ...]) -> np.ndarray:
    return np.array([int(text) if text else 0 for text in texts], dtype=np.int64)


def _second_of_day(
    column: list[tuple[str, ...]],
    texts: list[str],
    lines: np.ndarray,
    header: str,
    findings: Findings,
) -> tuple[np.ndarray, np.ndarray]:
    """Return whole seconds after midnight and the fraction of a second, each (n,)."""
    hour, minute, second = (_whole(column[k]) for k in (7, 8, 9))
    fraction = np.array([float("0." + text) if text else 0.0 for text in column[10]])
    half = np.array([text.lower() for text in column[11]])
    twelve_hour = half != ""
    end_of_day = (hour == 24) & (minute == 0) & (second == 0) & (fraction == 0) & ~twelve_hour
    wrong = ((hour > 23) & ~end_of_day) | (minute > 59) | (second > 59)
    wrong |= twelve_hour & ((hour < 1) | (hour > 12))
    for i in np.flatnonzero(wrong):
        what = f"'{texts[i]}' is no time of day; for hours beyond 24 use time_h or a date-time"
        findings.refuse(int(lines[i]), what, header)
    # 12 AM is midnight and 12 PM noon.
    hour = np.where(twelve_hour, hour % 12 + 12 * (half == "p"), hour)
    return hour * 3600 + minute * 60 + second, fraction


def _date_order(
    column: list[tuple[str, ...]],
    lines: np.ndarray,
    header: str,
    options: TableOptions,
    findings: Findings,
) -> str:
    """Return "dmy" or "mdy" for the whole column, from its own proof, the option, or the dots."""
    first, second = _whole(column[3]), _whole(column[5])
    day_first, month_first = np.flatnonzero(first > 12), np.flatnonzero(second > 12)
    if day_first.size and month_first.size:
        a, b = sorted((int(day_first[0]), int(month_first[0])))
        what = f"day and month stand the other way round than in line {int(lines[a])}"
        findings.refuse(int(lines[b]), what, header)
        return "dmy"
    proof = "dmy" if day_first.size else "mdy" if month_first.size else None
    asked = {True: "dmy", False: "mdy", None: None}[options.day_first]
    if proof and asked and proof != asked:
        at = int(lines[(day_first if day_first.size else month_first)[0]])
        said = str(options.day_first).lower()
        findings.refuse(at, f"this date contradicts {options.option('day_first', said)}", header)
    if proof or asked:
        return proof or asked or "dmy"
    changed = np.flatnonzero((first != first[0]) | (second != second[0]))
    if changed.size and column[4][0] != ".":  # with dots the day stands first everywhere
        ways = " or ".join(options.option("day_first", said) for said in ("true", "false"))
        say = findings.advise(f"say so by {ways}", "write 2024-05-03")
        findings.refuse(
            int(lines[changed[0]]), f"nothing shows whether day or month comes first; {say}", header
        )
    return "dmy"


def _days(
    column: list[tuple[str, ...]],
    order: str,
    texts: list[str],
    lines: np.ndarray,
    header: str,
    findings: Findings,
) -> np.ndarray:
    """Return days since 1970-01-01 (n,), integers."""
    places = {"ymd": (0, 1, 2), "dmy": (6, 5, 3), "mdy": (6, 3, 5)}[order]
    year, month, day = (_whole(column[k]) for k in places)
    # Two digits mean this century: no logger here is older.
    two = np.array([len(text) == 2 for text in column[places[0]]])
    year = np.where(two, year + 2000, year)
    start = ((year - 1970) * 12 + month - 1).astype("datetime64[M]")
    date = start.astype("datetime64[D]") + (day - 1)
    wrong = (year < 1900) | (month < 1) | (month > 12) | (date.astype("datetime64[M]") != start)
    for i in np.flatnonzero(wrong):
        findings.refuse(int(lines[i]), f"'{texts[i]}' is no date of the calendar", header)
    return date.astype(np.int64)


def _offsets_s(zones: tuple[str, ...]) -> np.ndarray:
    """Return how far each stamp is ahead of UTC, seconds."""

    def one(zone: str) -> int:
        if zone in ("", "Z", "z"):
            return 0
        digits = zone[1:].replace(":", "")
        return (int(digits[:2]) * 3600 + int(digits[2:]) * 60) * (-1 if zone[0] == "-" else 1)

    known = {zone: one(zone) for zone in set(zones)}
    return np.array([known[zone] for zone in zones], dtype=np.int64)


def run_on(times: Times, lines: np.ndarray, header: str, findings: Findings) -> np.ndarray:
    """Return seconds that run on over midnights; refuse any other step back or an absurd leap."""
    seconds = times.seconds.copy()
    if times.is_clock:
        passed = np.diff(seconds) <= MIDNIGHT_STEP_S
        seconds[1:] += SECONDS_PER_DAY * np.cumsum(passed)
        for i in np.flatnonzero(passed) + 1:
            clock = (seconds[i] + (times.start_clock_s or 0.0)) % SECONDS_PER_DAY
            what = f"the clock without a date starts again at {clock_text(clock, seconds=True)}"
            findings.warn("midnight", int(lines[i]), f"{what}; taken as the next day")
        for odd in _out_of_order(seconds):
            what = "goes back from the row before, or on by nearly a day; each row must be later"
            findings.refuse(int(lines[odd]), what, header)
    steps = np.diff(seconds)
    for i in np.flatnonzero(steps < 0) + 1:
        what = f"time goes back by {-steps[i - 1]:g} s from the row before; each row must be later"
        if not times.is_clock and times.start_clock_s is not None and abs(steps[i - 1]) <= 7200:
            what += "; if summer time ended here, write the times with their offset from UTC"
            option = findings.options.option("zone", "AREA/CITY")
            what += findings.advise(f", or say {option}", "")
        findings.refuse(int(lines[i]), what, header)
    for i in np.flatnonzero(steps > LONGEST_STEP_S) + 1:
        what = f"time leaps by {steps[i - 1] / SECONDS_PER_DAY:.0f} days; was the clock set here?"
        findings.refuse(int(lines[i]), what, header)
    return seconds


def _out_of_order(seconds: np.ndarray) -> list[int]:
    """Return the rows of a clock without a date that no midnight explains.

    One that leaps by nearly a day, and one between rows that would follow each other without it.
    """
    steps = np.diff(seconds)
    leaps = (np.flatnonzero(steps > SECONDS_PER_DAY - OUT_OF_ORDER_S) + 1).tolist()
    around_s = seconds[2:] - seconds[:-2] - SECONDS_PER_DAY
    usual_s = float(np.median(steps)) if steps.size else 0.0
    # Between rows hours apart a day's round is nothing odd.
    near = (around_s > 0.0) & (around_s < 3.0 * usual_s) & (3.0 * usual_s < OUT_OF_ORDER_S)
    return sorted({*leaps, *(np.flatnonzero(near) + 1).tolist()})


def is_regular(steps: np.ndarray) -> bool:
    """Whether the steps are those of a sampling logger: 80 % within 2 % of their median."""
    if len(steps) < 4:
        return False
    usual = float(np.median(steps))
    return float(np.mean(np.abs(steps - usual) <= SAME_STEP * usual)) >= REGULAR_SHARE
