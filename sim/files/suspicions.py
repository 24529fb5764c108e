"""Is what a table says plausible? Sign, sensor range, wrapped counters, dropouts, gaps.

Each check names the line where the doubt shows first. A doubt about which number is right is
refused; something that was left out or carried on is a warning.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from itertools import islice

import numpy as np

from sim.files.clocks import is_regular
from sim.files.headers import BASE_UNIT, LOADS, Findings, Meaning
from sim.units import SECONDS_PER_HOUR

# Assumed, wide on purpose: they catch a wrong unit or a missing-value code, not a hard day.
PLAUSIBLE = {
    "power": (-1e7, 1e7),
    "current": (-3000.0, 3000.0),  # milliamperes under a header of amperes are soon beyond
    "speed": (0.0, 150.0),
    "voltage": (-10.0, 2000.0),
    "temperature": (-60.0, 200.0),
    "grade": (-100.0, 100.0),
    "elevation": (-1000.0, 9000.0),
    "sun": (-20.0, 1e5),  # a sensor at night reads a little below zero
    "sun_per_area": (-20.0, 2000.0),
}
GAP_MIN_S = 60.0
GAP_STEPS = 5.0  # times the usual step
MOST_NOTES = 8
LEAST_WHOLE = 5  # different whole numbers; fewer show no habit
INT16_SPAN = 65536.0
WRAP_SHARE = 0.93  # of the span; the true step is then below 7 % of it
# Assumed: positive values this small beside the negative ones are a sensor's offset at rest
# (2.7 % of a C/10 current in one open record), not a second direction.
REST_NOISE, REST_SUM = 0.05, 0.01
CLEAR_CORRELATION = 0.6  # measured packs give -0.8 and beyond for the right sign
_ELSEWHERE = re.compile(r"motor|phase|throttle|charger|output", re.IGNORECASE)
_DISCHARGING = re.compile(
    r"dis-?charg|entlad|decharg|décharg|descarg|\bdsg\b|^\s*out\b|^\s*dch?g?\s*$", re.IGNORECASE
)
_CHARGING = re.compile(
    r"charg|laden|ladung|\bcarga|\blädt|\bchg\b|regen|rekup|^\s*in\s*$", re.IGNORECASE
)


@dataclass
class Reading:
    """A column while it is being read: what it means, its fields, its values in base units (n,)."""

    meaning: Meaning
    texts: list[str]
    values: np.ndarray
    required: bool

    @property
    def header(self) -> str:
        """The name as written over the column."""
        return self.meaning.header


def check(readings: list[Reading], lines: np.ndarray, discharge: str, findings: Findings) -> None:
    """Look at every column of a table; complaints and notes go to `findings`.

    `discharge` is the option that was already applied to the values. A voltage that drops out
    for one row, or that is never connected, becomes NaN.
    """
    for reading in readings:
        _range(reading, lines, findings)
        _lone_decimals(reading, lines, findings)
        if reading.meaning.quantity == "voltage":
            _dropouts(reading, lines, findings)
        if reading.meaning.quantity == "current" and reading.required:
            _wraps(reading, lines, findings)
    for reading in readings:
        # A field that was no number has its complaint; signs and sums need all rows.
        is_load = reading.required and reading.meaning.quantity in ("power", "current")
        if is_load and np.isfinite(reading.values).all():
            _sign(reading, readings, lines, discharge, findings)


def _range(reading: Reading, lines: np.ndarray, findings: Findings) -> None:
    quantity = reading.meaning.quantity
    if quantity not in PLAUSIBLE or not (reading.required or quantity == "temperature"):
        return
    low, high = PLAUSIBLE[quantity]
    outside = np.flatnonzero((reading.values < low) | (reading.values > high))
    if not outside.size:
        return
    first = outside[0]
    unit = BASE_UNIT[quantity]
    what = f"found {reading.texts[first]}"
    if f"{reading.values[first]:g}" != reading.texts[first]:
        what += f", which is {reading.values[first]:g} {unit}"
    what += f"; accepted: {low:g} to {high:g} {unit}"
    if quantity == "temperature":
        what += " (a sensor below zero that overflowed, tenths of a degree, or kelvin?)"
    more = f"; and {outside.size - 1} more rows" if outside.size > 1 else ""
    findings.refuse(int(lines[first]), what + more, reading.header)


def _lone_decimals(reading: Reading, lines: np.ndarray, findings: Findings) -> None:
    """Tell of the one field with a decimal mark in a column of whole numbers: 2.25 among 225."""
    if reading.meaning.quantity not in BASE_UNIT:
        return
    every = (i for i, text in enumerate(reading.texts) if "." in text or "," in text)
    marked = list(islice(every, 2))  # most columns are done with after two fields
    if len(marked) != 1:
        return
    whole = {text for text in reading.texts if text.lstrip("+-").isdigit()}
    if len(whole) >= LEAST_WHOLE:
        text = reading.texts[marked[0]]
        what = (
            f"column '{reading.header}' holds {text} among whole numbers alone; read as it stands"
        )
        findings.warn("number", int(lines[marked[0]]), what)


def _dropouts(reading: Reading, lines: np.ndarray, findings: Findings) -> None:
    values = reading.values
    alive = np.abs(values[np.isfinite(values) & (values != 0)])
    if not alive.size:
        if np.isfinite(values).any():
            what = f"column '{reading.header}' is zero throughout; taken as not connected, left out"
            findings.warn("unused", int(lines[0]), what)
            reading.values = np.full_like(values, np.nan)
        return
    # Not exactly zero: a converter at rest shows a count or two.
    dead = np.abs(values) <= 0.01 * float(np.median(alive))
    edges = np.concatenate(([False], dead, [False]))
    alone = np.flatnonzero(dead & ~edges[:-2] & ~edges[2:])
    if len(values) < 3 or not alone.size or dead.mean() > 0.5:
        return
    first = alone[0]
    what = f"column '{reading.header}' drops to {reading.texts[first]} for one row; left out"
    more = f", as in {alone.size - 1} more rows" if alone.size > 1 else ""
    findings.warn("dropout", int(lines[first]), what + more)
    reading.values = values.copy()
    reading.values[alone] = np.nan


def _wraps(reading: Reading, lines: np.ndarray, findings: Findings) -> None:
    """Refuse a step of nearly 65536 counts between neighbours, all within 16 bits and a sign."""
    values = reading.values
    if len(values) < 2:
        return
    top = np.abs(values).max()
    for count_A in (1e-3, 1e-2, 1e-1):
        span_A = INT16_SPAN * count_A
        leaps = np.flatnonzero(np.abs(np.diff(values)) >= WRAP_SHARE * span_A) + 1
        if top <= span_A / 2 and leaps.size:
            at = leaps[0]
            what = f"found {reading.texts[at]} after {reading.texts[at - 1]}: a counter of 16 bits "
            what += f"seems to have wrapped by {span_A:g} A; accepted: the current unwrapped"
            findings.refuse(int(lines[at]), what, reading.header)
            return


def _sign(
    reading: Reading,
    readings: list[Reading],
    lines: np.ndarray,
    discharge: str,
    findings: Findings,
) -> None:
    """Refuse a column that counts discharge negative, by state, by voltage, or by all signs."""
    told = _sign_by_state(reading, readings, lines, discharge, findings)
    told = told or _sign_by_voltage(reading, readings, lines, discharge, findings)
    values = reading.values
    lowest, highest = float(values.min()), float(values.max())
    fed, drawn = -float(values[values < 0].sum()), float(values[values > 0].sum())
    both_ways = highest > REST_NOISE * -lowest or drawn > REST_SUM * fed
    if told or discharge == "negative" or lowest >= 0 or both_ways:
        return
    first = np.flatnonzero(values < REST_NOISE * lowest)[0]
    what = f"found {reading.texts[first]} and nowhere a positive value, but discharge counts "
    what += f"positive; {_other_way(discharge, findings)} (a record of charging alone: write its "
    what += "values positive and use the same option)"
    findings.refuse(int(lines[first]), what, reading.header)


def _other_way(discharge: str, findings: Findings) -> str:
    if discharge == "negative":
        return f"leave {findings.options.option('discharge', 'negative')} out"
    option = findings.options.option("discharge", "negative")
    return findings.advise(f"say {option}", "turn the sign round")


def _sign_by_state(
    reading: Reading,
    readings: list[Reading],
    lines: np.ndarray,
    discharge: str,
    findings: Findings,
) -> bool:
    """Compare with a column of words such as "Discharging"; True if it settles the matter."""
    state = next((r for r in readings if r.meaning.quantity == "state"), None)
    if state is None:
        return False
    kinds = {text: direction(text) for text in set(state.texts)}
    way = np.array([kinds[text] for text in state.texts])
    notable = np.abs(reading.values) > 0.01 * np.abs(reading.values).max()
    out, back = (reading.values[notable & (way == side)] for side in (1, -1))
    if not out.size and not back.size:
        return False
    # The median: a state may lag its current by a row at each change.
    out_sign, back_sign = (np.sign(np.median(part)) if part.size else 0.0 for part in (out, back))
    if out_sign * back_sign > 0:
        at = np.flatnonzero(notable & (way == -1))[0]
        what = f"found {reading.texts[at]} while '{state.header}' says '{state.texts[at]}', the "
        what += "sign that discharging rows carry too; accepted: charge and discharge of "
        what += "opposite sign"
        option = findings.options.option("discharge", "by state")
        what += findings.advise(f", or say {option}", "")
        findings.refuse(int(lines[at]), what, reading.header)
    elif out_sign < 0 or back_sign > 0:
        at = np.flatnonzero(notable & (way != 0) & (np.sign(reading.values) != way))[0]
        what = f"found {reading.texts[at]} while '{state.header}' says '{state.texts[at]}', but "
        what += f"discharge counts positive; {_other_way(discharge, findings)}"
        findings.refuse(int(lines[at]), what, reading.header)
    return out_sign != 0 or back_sign != 0


def direction(text: str) -> int:
    """Return 1 for words that say discharging, -1 for charging, 0 for neither."""
    if _DISCHARGING.search(text):
        return 1
    return -1 if _CHARGING.search(text) else 0


def _sign_by_voltage(
    reading: Reading,
    readings: list[Reading],
    lines: np.ndarray,
    discharge: str,
    findings: Findings,
) -> bool:
    """Compare with the voltage, which falls as discharge rises; True if it settles the matter."""
    clear = []
    for other in readings:
        if other.meaning.quantity == "voltage" and not _ELSEWHERE.search(other.header):
            found = _step_correlation(reading.values, other.values)
            clear += [(found, other)] if abs(found) > CLEAR_CORRELATION else []
    if not clear or any(found < 0 for found, _ in clear):
        return bool(clear)
    values = reading.values
    notable = np.abs(values) > 0.05 * np.abs(values).max()
    # A record of charging counted positive has no negative row to point at.
    wrong = notable & (values < 0) if (notable & (values < 0)).any() else notable
    at = np.flatnonzero(wrong)[0]
    what = f"found {reading.texts[at]}, and '{clear[0][1].header}' rises and falls with this column"
    what += f", as if discharge counted negative; {_other_way(discharge, findings)}"
    findings.refuse(int(lines[at]), what, reading.header)
    return True


def _step_correlation(load: np.ndarray, voltage: np.ndarray) -> float:
    """Return the correlation of row-to-row steps, through zero, -1 to 1; 0 where nothing moves."""
    load_steps, voltage_steps = np.diff(load), np.diff(voltage)
    use = np.isfinite(voltage_steps) & (np.abs(load_steps) > 0.05 * np.abs(load).max())
    if np.count_nonzero(use) < 3:
        return 0.0
    a, b = load_steps[use], voltage_steps[use]
    size = float(np.sqrt(np.sum(a * a) * np.sum(b * b)))
    return float(np.sum(a * b)) / size if size > 0 else 0.0


def row_groups(
    seconds: np.ndarray, lines: np.ndarray, readings: list[Reading], findings: Findings
) -> np.ndarray:
    """Return the first row of each distinct time, ascending integers; warn or refuse if repeated.

    A logger that stamps coarser than it samples gets its rows averaged. An edge written as two
    rows at one time, or a lone repeated time between unequal legs, has no mean that is right.
    """
    repeated = np.flatnonzero(np.diff(seconds) == 0) + 1
    starts = np.concatenate(([0], np.flatnonzero(np.diff(seconds) != 0) + 1))
    if not repeated.size:
        return starts
    required = [r.values for r in readings if r.required]
    edges = _written_edges(seconds, readings)
    often = 2 * np.unique(seconds[repeated]).size >= starts.size
    harmless = all((v[repeated] == v[repeated - 1]).all() for v in required)
    if edges.size or not (often or harmless or is_regular(np.diff(seconds[starts]))):
        what = "has the same time as the row before; a value holds from its row until the next, "
        what += "so each time takes one row"
        for i in edges if edges.size else repeated:
            findings.refuse(int(lines[i]), what)
    what = f"{len(seconds)} rows share {starts.size} times; each time keeps the mean of its rows"
    findings.warn("duplicate_time", int(lines[repeated[0]]), what)
    return starts


def _written_edges(seconds: np.ndarray, readings: list[Reading]) -> np.ndarray:
    """Return the later row of each pair at one time that only says "old value, new value"."""
    load = next((r.values for r in readings if r.required and r.meaning.quantity in LOADS), None)
    if load is None or len(seconds) < 3:
        return np.array([], dtype=int)
    pairs = np.flatnonzero(np.diff(seconds) == 0) + 1
    pairs = pairs[load[pairs] != load[pairs - 1]]
    inner = pairs[(pairs >= 2) & (pairs < len(seconds) - 1)]
    flat = (load[inner - 1] == load[inner - 2]) & (load[inner + 1] == load[inner])
    return inner if inner.size and flat.all() else np.array([], dtype=int)


def gap_rows(seconds: np.ndarray) -> np.ndarray:
    """Return the rows (integers) after which a regular record pauses."""
    steps = np.diff(seconds)
    if not is_regular(steps):
        return np.array([], dtype=int)
    usual_s = float(np.median(steps))
    return np.flatnonzero((steps > GAP_STEPS * usual_s) & (steps > GAP_MIN_S))


def gaps(
    seconds: np.ndarray,
    lines: np.ndarray,
    readings: list[Reading],
    findings: Findings,
    dated: bool = False,
) -> None:
    """Warn where a regular record pauses; between legs of unequal length nothing is a gap.

    `dated` says that the times are local dates and clocks, which leap when summer time begins.
    """
    found = gap_rows(seconds)
    steps = np.diff(seconds)
    usual_s = float(np.median(steps)) if steps.size else 0.0
    for i in found[:MOST_NOTES]:
        what = f"{steps[i]:g} s without a row, against {usual_s:g} s usually; "
        what += f"the values of line {int(lines[i])} hold over it"
        for reading in readings:
            if reading.required and reading.meaning.quantity in ("current", "power"):
                amount = reading.values[i] * steps[i] / SECONDS_PER_HOUR
                unit = "Ah" if reading.meaning.quantity == "current" else "Wh"
                what += f", which counts {amount:.4g} {unit} by '{reading.header}'"
        if dated and not findings.options.zone and abs(steps[i] - usual_s - 3600.0) <= usual_s:
            option = findings.options.option("zone", "AREA/CITY")
            what += findings.advise(f"; if summer time began here, say {option}", "")
        findings.warn("gap", int(lines[i + 1]), what)
    if found.size > MOST_NOTES:
        rest = found[MOST_NOTES:]
        what = f"and {rest.size} more gaps, {steps[rest].sum():g} s together"
        findings.warn("gap", int(lines[rest[0] + 1]), what)
