"""The answer in plain words: one sentence with its margin, then a short table."""

from __future__ import annotations

import math

from sim.ask.simulate import Result
from sim.files.case import guesses
from sim.judge.series import count, totals
from sim.judge.verdict import UNANSWERED, Event, Judged
from sim.physics.limits import CUTOFF, HOT, NAMES, RESERVE
from sim.units import SECONDS_PER_HOUR, clock_text

CAUTION = (
    "Caution: lithium-ion packs can burn and are hard to put out; this model knows only what it "
    "was told. Measure real cell temperatures under load, fit a fuse and a protection board to "
    "every pack, never charge below 0 C; local codes and licensed practice come first."
)
DECIMALS = {"V": 2, "K": 1, "%": 1, "A": 1, "W": 0}


def number(value: float, unit: str) -> str:
    """Return "3.31 V", "47.3 C", "34 %": as many digits as the answer can bear."""
    shown = "C" if unit == "K" else unit
    return f"{value:.{DECIMALS[unit]}f} {shown}"


def room(margin: float, unit: str) -> str:
    """Return the size of a margin, so that a small miss never rounds to nothing."""
    size = abs(margin)
    decimals = DECIMALS[unit]
    if 0.0 < size < 10.0**-decimals:
        decimals = math.ceil(-math.log10(size))
    return f"{size:.{min(decimals, 9)}f} {unit}"


def span(seconds: float) -> str:
    """Return "45 s", "12 min", "3 h 20 min"."""
    if seconds < 120.0:
        return f"{seconds:.3g} s"
    minutes = round(seconds / 60.0)
    return f"{minutes} min" if minutes < 120 else f"{minutes // 60} h {minutes % 60:02d} min"


def _against(judged: Judged) -> str:
    assert judged.margin is not None
    side = "below" if judged.name == NAMES[HOT] else "above"
    other = "above" if side == "below" else "below"
    return f"{room(judged.margin, judged.unit)} {side if judged.margin >= 0.0 else other} its limit"


def _temperatures_and_voltage(result: Result) -> str:
    clock_s = result.case.start_clock_s
    hot, low = result.verdict.limit(HOT), result.verdict.limit(CUTOFF)
    assert hot.worst is not None and low.worst is not None
    assert hot.time_s is not None and low.time_s is not None
    return (
        f"hottest core {number(hot.worst, 'K')} at {clock_text(clock_s + hot.time_s)}, "
        f"{_against(hot)}; lowest cell {number(low.worst, 'V')} at "
        f"{clock_text(clock_s + low.time_s)}, {_against(low)}"
    )


def answer(result: Result) -> str:
    """Return the verdict in one sentence, its margin in it."""
    verdict, case = result.verdict, result.case
    clock_s = case.start_clock_s
    end = f"ends at {100.0 * result.series.soc[-1]:.0f} % charge"
    if verdict.passed:
        reserve = verdict.limit(RESERVE)
        if reserve.level:
            end += f" ({reserve.level:.0f} % is the reserve)"
        return f"Stays cool: {_temperatures_and_voltage(result)}; {end}."
    assert verdict.first is not None  # a run that fails has an event
    first = verdict.first
    if verdict.unanswered:
        return (
            f"Cannot tell: {_crossing(result, first)}, where the model knows nothing; "
            f"{_temperatures_and_voltage(result)}; {end}."
        )
    hot = verdict.limit(HOT)
    opening = "Gets too hot" if not hot.passed else "Stays cool, but does not hold"
    stopped = ""
    if not verdict.finished:
        share = result.trace.end_s / float(case.legs.end_s[-1])
        stopped = (
            f" The run stops at {clock_text(clock_s + result.trace.end_s)}, {share:.0%} into the "
            "day; nothing is known of the rest."
        )
        if hot.passed:
            opening = "Does not last the day"
    return (
        f"{opening}: {_crossing(result, first)}{_others(result, first)}; "
        f"{_temperatures_and_voltage(result)}; {end}.{stopped}"
    )


def _crossing(result: Result, first: Event) -> str:
    """Return "charge reserve passed at 15:12 (14.9 % against 15 %, beyond for 2 h)"."""
    judged = next(j for j in result.verdict.limits if j.name == first.name)
    if judged.name in {NAMES[n] for n in UNANSWERED}:
        what = f"{judged.about} passes {number(first.limit, judged.unit)}"
    else:
        what = f"{judged.about} passes its limit of {number(first.limit, judged.unit)}"
    when = clock_text(result.case.start_clock_s + first.time_s)
    return f"{what} at {when} (beyond for {span(judged.seconds_beyond)})"


def _others(result: Result, first: Event) -> str:
    others = [j.about for j in result.verdict.limits if not j.passed and j.name != first.name]
    return f", then {', '.join(others)}" if others else ""


def table(result: Result) -> list[str]:
    """Return the lines of the table of limits: worst value, margin, when, seconds beyond."""
    clock_s = result.case.start_clock_s
    lines = [f"{'limit':<29}{'level':>10}{'worst':>10}{'margin':>11}  {'when':<9}{'beyond':>9}"]
    for j in result.verdict.limits:
        if j.margin is None or j.worst is None or j.level is None or j.time_s is None:
            continue
        if j.name == "reserve" and not j.level:
            continue  # none was asked for; "charge left" says the same
        sign = "-" if j.margin < 0 or not j.passed else "+"
        lines.append(
            f"{j.about:<29}{number(j.level, j.unit):>10}{number(j.worst, j.unit):>10}"
            f"{sign + room(j.margin, j.unit):>11}  {clock_text(clock_s + j.time_s):<9}"
            f"{'-' if j.passed else span(j.seconds_beyond):>9}"
        )
    return lines


def report(result: Result) -> list[str]:
    """Return everything that `simulate` prints below the verdict."""
    case, sums = result.case, totals(result.trace)
    all_Wh = count(case.plant) / SECONDS_PER_HOUR
    pack = case.plant.pack
    heat_J = sums["ohmic_J"] + sums["pair_J"] + sums["reversible_J"] + sums["joint_J"]
    charge_Ah = sums["charge_As"] * pack.parallel * pack.packs / SECONDS_PER_HOUR
    lines = ["", *table(result), ""]
    lines.append(
        f"energy     {sums['delivered_J'] * all_Wh:.0f} Wh delivered, {charge_Ah:.1f} Ah, "
        f"{heat_J * all_Wh:.0f} Wh made heat in the cells; "
        f"{100.0 * result.series.soc[0]:.0f} % -> {100.0 * result.series.soc[-1]:.1f} % charge"
    )
    if sums["short_J"] > 0.0:
        lines.append(f"shortfall  {sums['short_J'] * all_Wh:.1f} Wh asked and not delivered")
    lines.append(_audit_line(result))
    lines += [f"note       {note}" for note in case.notes]
    found = guesses(case)
    if found:
        named = ", ".join(
            g["what"] + (f" (+-{g['uncertainty']:.0%})" if g["uncertainty"] is not None else "")
            for g in found
        )
        lines.append(f"guesses    {case.profile.name}: {named}")
    lines.append(f"assumed    {'; '.join(case.assumptions)}")
    return [*lines, "", CAUTION]


def _audit_line(result: Result) -> str:
    audit = result.audit
    worst = max((b for b in audit.balances.values() if b is not None), default=0.0)
    difference_V = max((s.difference_V for s in audit.spots), default=0.0)
    difference_K = max((s.difference_K for s in audit.spots), default=0.0)
    return (
        f"audit      {'passed' if audit.passed else 'FAILED'}: balances close to {worst:.0e}, "
        f"second integrator within {difference_V * 1e3:.2g} mV and {difference_K:.2g} K, "
        f"{audit.steps} steps"
    )


def distrust(result: Result) -> str | None:
    """Return the warning that stands before the verdict of a run whose audit failed."""
    if result.audit.passed:
        return None
    return f"Do not trust this run: {'; '.join(result.audit.complaints)}."
