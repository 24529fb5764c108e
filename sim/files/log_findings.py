"""What a log shows about the pack and its sensors, beyond being readable.

Each rule needs the log alone. What it can't tell apart (an offset from a small load, a lag from
polarisation) it says.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sim.units import SECONDS_PER_DAY, SECONDS_PER_HOUR

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

# Assumed, all of them: wide enough that measured cells on a bench raise no finding.
IDLE_LEVEL, IDLE_BAND = 0.05, 0.01  # of the greatest current: as high, as steady
IDLE_S = 60.0
OFFSET_SHARE = 0.005  # of the charge counted; less is below any shunt's tolerance
SENSE_V = 0.1  # two groups this far off, one up and one down
SENSE_BALANCE = 0.1  # of that, by which their mean may miss the median
OPEN_SHARE = 0.5  # of the neighbours' voltage
WARMING_K = 1.0  # twice a coarse logger's step
SETTLING_S = 900.0  # after a load the core's heat still comes to the surface
SPECIFIC_HEAT_J_kgK = 950.0  # of small cylindrical cells, from memory; 900 to 1000
LAG_ROWS = 2
LEAST_STEPS = 20


@dataclass(frozen=True)
class LogFinding:
    """One thing that a log shows. `fault` is in the pack or its wiring, else in the record.

    `kind` is one word, `line` the physical line where it shows first, `numbers` its figures with
    the unit in each key.
    """

    kind: str
    line: int
    text: str
    numbers: dict[str, float]
    fault: bool = False


@dataclass(frozen=True)
class Idle:
    """The rows at rest: which (n,), their mean current [A] and its standard error, how long [s]."""

    rows: Flags
    current_A: float
    error_A: float
    length_s: float


def idle(time_s: Floats, current_A: Floats, told: Flags | None = None) -> Idle | None:
    """Return the rows at rest, None where there are none.

    At rest are rows that a column of words calls so (`told`), else stretches of a minute or more
    in which the current stays within 1 % of its greatest and below 5 % of it. A record that never
    passes the level of its rest is at rest throughout.
    """
    sizes = np.abs(current_A)
    top_A = float(sizes.max())
    if told is not None and told.any():
        rows = told
    elif top_A == 0.0:
        rows = np.ones(len(time_s), dtype=bool)
    else:
        rows = _steady_and_low(time_s, current_A, top_A)
    length_s = np.append(np.diff(time_s), 0.0)[rows]
    if not rows.any() or length_s.sum() <= 0.0:
        return None
    mean_A = float(np.average(current_A[rows], weights=length_s))
    error_A = float(np.std(current_A[rows])) / np.sqrt(np.count_nonzero(rows))
    return Idle(rows, mean_A, error_A, float(length_s.sum()))


def _steady_and_low(time_s: Floats, current_A: Floats, top_A: float) -> Flags:
    """Return the rows of long, steady, low current, those on the level nearest to zero alone.

    A record that rests at zero and elsewhere holds 0.3 A has no offset, but a small load.
    """
    found: list[tuple[float, int, int]] = []
    for first, last in stretches(np.abs(current_A) <= IDLE_LEVEL * top_A):
        part = current_A[first : last + 1]
        until_s = time_s[min(last + 1, len(time_s) - 1)]
        if float(np.ptp(part)) <= IDLE_BAND * top_A and until_s - time_s[first] >= IDLE_S:
            found.append((float(np.mean(part)), first, last))
    rows = np.zeros(len(time_s), dtype=bool)
    level_A = min((mean_A for mean_A, _, _ in found), key=abs, default=0.0)
    for mean_A, first, last in found:
        rows[first : last + 1] = abs(mean_A - level_A) <= IDLE_BAND * top_A
    return rows


def stretches(flags: Flags) -> list[tuple[int, int]]:
    """Return the first and last index of each run of true; `flags` is (n,)."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], flags.astype(int), [0]))))
    return [(int(a), int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def offset_charge_Ah(offset_A: float, length_s: float) -> float:
    """Return the charge that a constant offset adds over a time [Ah]."""
    return offset_A * length_s / SECONDS_PER_HOUR


def idle_offset(
    time_s: Floats, current_A: Floats, lines: NDArray[np.intp], at_rest: Idle
) -> LogFinding | None:
    """Return a finding where the current at rest is not near zero, and what it adds up to."""
    offset_A, record_s = at_rest.current_A, float(time_s[-1])
    steps_s = np.diff(time_s)
    counted_Ah = float(np.sum(np.abs(current_A[:-1]) * steps_s)) / SECONDS_PER_HOUR
    adds_Ah = offset_charge_Ah(offset_A, record_s)
    a_day_Ah = offset_charge_Ah(offset_A, SECONDS_PER_DAY)
    clear = abs(offset_A) > 3.0 * at_rest.error_A
    if not clear or abs(adds_Ah) <= OFFSET_SHARE * counted_Ah:
        return None
    hours = at_rest.length_s / SECONDS_PER_HOUR
    text = (
        f"at rest, {hours:.3g} h in all, the current stands at {offset_A:+.4g} A: where nothing "
        f"draws it, that is the sensor's offset, and it makes {adds_Ah:+.3g} Ah of this record's "
        f"{counted_Ah:.4g} Ah ({100.0 * adds_Ah / counted_Ah:+.2g} %), {a_day_Ah:+.3g} Ah a day; "
        "read the sensor with nothing connected and give the pairs by `--correct`"
    )
    numbers = {"offset_A": offset_A, "record_Ah": adds_Ah, "day_Ah": a_day_Ah}
    return LogFinding("idle_offset", int(lines[np.argmax(at_rest.rows)]), text, numbers)


def sense_connection(
    groups_V: Floats, names: list[str], lines: NDArray[np.intp]
) -> list[LogFinding]:
    """Return a finding for each pair of neighbours that average to the others' median.

    `groups_V` is (n, groups). A group far up whose neighbour is as far down is one bad connection
    of the sense wire between them: a cell that really stood there would be destroyed.
    """
    pairs = groups_V.shape[1] - 1
    if pairs < LEAST_PAIRS:
        return []
    found = []
    middle_V = _middle(groups_V)
    with np.errstate(invalid="ignore"):  # a group that is not connected is NaN throughout
        off_V = groups_V - middle_V[:, None]
        for i in range(pairs):
            size_V = np.minimum(np.abs(off_V[:, i]), np.abs(off_V[:, i + 1]))
            mean_V = 0.5 * (off_V[:, i] + off_V[:, i + 1])
            opposite = off_V[:, i] * off_V[:, i + 1] < 0.0
            here = opposite & (size_V >= SENSE_V) & (np.abs(mean_V) <= SENSE_BALANCE * size_V)
            if here.any():
                k = int(np.argmax(here))
                found.append(_pair(groups_V[k], i, middle_V[k], here, names, int(lines[k])))
    return found


LEAST_PAIRS = 3


def _middle(values: Floats) -> Floats:
    """Return the median of each row (n,), NaN where it holds no number."""
    some = np.isfinite(values).any(axis=1)
    middle = np.full(len(values), np.nan)
    if some.any():
        middle[some] = np.nanmedian(values[some], axis=1)
    return middle


def _pair(
    row_V: Floats, i: int, middle_V: float, here: Flags, names: list[str], line: int
) -> LogFinding:
    mean_V = 0.5 * float(row_V[i] + row_V[i + 1])
    text = (
        f"'{names[i]}' reads {row_V[i]:.3f} V and its neighbour '{names[i + 1]}' "
        f"{row_V[i + 1]:.3f} V, and together they average to {mean_V:.3f} V, the middle of all "
        f"groups ({middle_V:.3f} V), in {np.count_nonzero(here)} of {len(here)} rows: a bad "
        "connection of the sense wire between them, not one group too high and one too low"
    )
    numbers = {"first_group": i + 1, "second_group": i + 2, "pair_mean_V": mean_V,
               "rows": float(np.count_nonzero(here))}  # fmt: skip
    return LogFinding("sense_connection", line, text, numbers, fault=True)


def open_joints(
    legs_V: Floats, names: list[str], lines: NDArray[np.intp], current_A: Floats | None = None
) -> list[LogFinding]:
    """Return a finding for each leg far below its neighbours; `legs_V` is (n, legs).

    Below half of the median of all is no empty pack, which would stand a fifth lower, but an open
    joint. A leg that falls below the others in step with the current has a resistance too much.
    """
    if legs_V.shape[1] < 2:
        return []
    found = []
    for k, name in enumerate(names):
        others = np.delete(legs_V, k, axis=1)
        middle_V = _middle(others)
        known = np.isfinite(legs_V[:, k]) & np.isfinite(middle_V)
        if not known.any():
            continue
        with np.errstate(invalid="ignore"):
            below = known & (legs_V[:, k] < OPEN_SHARE * middle_V)
        if below.any():
            at = int(np.argmax(below))
            text = (
                f"'{name}' reads {legs_V[at, k]:.2f} V while the others read about "
                f"{middle_V[at]:.2f} V, in {np.count_nonzero(below)} of {len(below)} rows: an open "
                "joint or lead, not an empty pack"
            )
            numbers = {"leg": k + 1.0, "leg_V": float(legs_V[at, k]), "others_V": middle_V[at]}
            found.append(LogFinding("open_joint", int(lines[at]), text, numbers, fault=True))
        elif current_A is not None:
            found += _resistive(current_A[known], (middle_V - legs_V[:, k])[known], name, k, lines)
    return found


JOINT_OHM = 2e-3  # more than the others; less is within lengths of lead
EXPLAINED = 0.8  # of the spread of the difference, by the current


def _resistive(
    current_A: Floats, lost_V: Floats, name: str, k: int, lines: NDArray[np.intp]
) -> list[LogFinding]:
    """Return a finding where a leg's lost voltage goes along with the current, I R."""
    spread_A = float(np.std(current_A))
    if len(current_A) < LEAST_STEPS or spread_A == 0.0 or float(np.std(lost_V)) == 0.0:
        return []
    slope_ohm = float(np.cov(current_A, lost_V)[0, 1]) / float(np.var(current_A, ddof=1))
    explained = float(np.corrcoef(current_A, lost_V)[0, 1]) ** 2
    if slope_ohm < JOINT_OHM or explained < EXPLAINED:
        return []
    top_A = float(np.abs(current_A).max())
    lost_W = slope_ohm * top_A**2
    text = (
        f"'{name}' falls below the others in step with the current: {1e3 * slope_ohm:.3g} mohm "
        f"more than they have, {slope_ohm * top_A:.3g} V and {lost_W:.3g} W at {top_A:.3g} A "
        "of the whole; look at its joints"
    )
    numbers = {"leg": k + 1.0, "joint_mohm": 1e3 * slope_ohm, "lost_V": slope_ohm * top_A,
               "lost_W": lost_W}  # fmt: skip
    return [LogFinding("resistive_joint", int(lines[0]), text, numbers, fault=True)]
