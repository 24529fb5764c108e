"""The odds in plain words: how likely the day holds, what gives, and what to measure first."""

from __future__ import annotations

from collections import Counter

import numpy as np

from sim.ask.odds import Odds
from sim.ask.odds_factors import CELLS, MEASURE, Factor
from sim.ask.odds_lanes import NO_ANSWER
from sim.ask.odds_share import Share
from sim.judge.verdict import ABOUT, EVENTS
from sim.physics.limits import NAMES, UNITS
from sim.show.lines import hung
from sim.show.sentences import CAUTION, INDENT

QUANTILES = (0.01, 0.05, 0.5, 0.95)
DIGITS = {"V": 2, "W": 0}
LEAST_INDEX = 0.01  # of the variance; below it a factor is named, not listed


def percent(share: float, draws: int = 1000) -> str:
    """Return a share in percent with a digit more than a draw is worth, never rounded to all."""
    digits = 1 if draws <= 20_000 else 2
    shown = f"{100.0 * share:.{digits}f}"
    if share < 1.0 and float(shown) == 100.0:
        return f"{100.0 - 10.0**-digits:.{digits}f}"
    if share > 0.0 and float(shown) == 0.0:
        return f"{10.0**-digits:.{digits}f}"
    return shown


def told(share: Share) -> str:
    """Return "97.2 % (96.4 to 97.8)": a share and its interval."""
    low, high = percent(share.low, share.draws), percent(share.high, share.draws)
    return f"{percent(share.value, share.draws)} % ({low} to {high})"


def gives_first(found: Odds) -> list[tuple[int, int]]:
    """Return (limit, draws) of what is crossed first, the most frequent first."""
    return [
        (limit, count) for limit, count in Counter(found.seen.first.tolist()).most_common()
        if limit >= 0
    ]  # fmt: skip


def answer(found: Odds) -> str:
    """Return the answer in one line: shares with their interval, what gives, what to measure."""
    cool, whole = found.cool, found.share
    said = "Stays cool"
    if cool.count != whole.count:
        said += f" in {told(cool)}, holds every limit in {told(whole)}"
    else:
        said += f" and holds every limit in {told(whole)}"
    said += f" of {found.draws} drawn days"
    first = gives_first(found)
    if first:
        limit, count = first[0]
        said += f"; first to give: {EVENTS[limit]}, in {percent(count / found.draws)} %"
    else:
        said += f"; nearest to give: {EVENTS[found.decides]}"
    best = found.measure_first
    if best is not None and best.total >= LEAST_INDEX:
        about = next(f.about for f in found.factors if f.name == best.name)
        margin = ABOUT[found.decides][0]
        said += f". Measure first: {about}, {100.0 * best.total:.0f} % of what moves the {margin}"
    return f"{_distrust(found)}{said}."


def _distrust(found: Odds) -> str:
    if found.seen.unbelievable:
        return f"{found.seen.unbelievable} runs can't be believed and count as failures. "
    runs = [found.nominal] + ([] if found.close_call is None else [found.close_call[1]])
    wrong = [said for run in runs for said in run.audit.complaints]
    return f"Do not trust this answer: {'; '.join(wrong)}. " if wrong else ""


def limits_table(found: Odds) -> list[str]:
    """Return a line a limit: the share that holds it, and how its margin is spread."""
    heads = "".join(f"{f'{100 * q:g} %':>9}" for q in QUANTILES)
    lines = [f"{'margin':<29}{'unit':<5}{heads}  holds in"]
    for limit in found.shown:
        margins = found.seen.margins[:, limit]
        margins = margins[np.isfinite(margins)]
        digits = DIGITS.get(UNITS[limit], 1)
        values = "".join(f"{v:>+9.{digits}f}" for v in np.quantile(margins, QUANTILES))
        lines.append(f"{ABOUT[limit][0]:<29}{UNITS[limit]:<5}{values}  {told(found.holds(limit))}")
    return lines


def off(factor: Factor) -> str:
    """Return how far a factor may be off: "+-20 %", "worst of 14", "held"."""
    if factor.off == 0.0:
        return "held"
    if factor.kind == CELLS:
        return f"worst of {factor.many}"
    return f"+-{factor.off:g} K" if factor.unit == "K" else f"+-{100.0 * factor.off:g} %"


def indices_table(found: Odds) -> list[str]:
    """Return a line a factor: how far it may be off and its share of what moves the margin."""
    of = found.indices.get(found.decides, ())
    if not of:
        return []
    factors = {factor.name: factor for factor in found.factors}
    head = f"what moves '{ABOUT[found.decides][0]}'"
    lines = [f"{head:<34}{'95 % within':>14}{'alone':>8}{'in all':>8}  95 % sure of the latter"]
    for index in sorted(of, key=lambda index: -index.total):
        if index.total < LEAST_INDEX:
            continue
        factor = factors[index.name]
        lines.append(
            f"{factor.about:<34}{off(factor):>14}{100.0 * max(index.first, 0.0):>6.0f} %"
            f"{100.0 * index.total:>6.0f} %  "
            f"{100.0 * index.total_low:.0f} to {100.0 * index.total_high:.0f} %"
        )
    small = [factors[i.name].about for i in of if i.total < LEAST_INDEX]
    if small:
        lines += hung("", f"under {100 * LEAST_INDEX:g} % each: {', '.join(small)}", 0)
    return lines


def report(found: Odds) -> list[str]:
    """Return everything that `odds` prints, the answer first."""
    case = found.case
    lines = [answer(found), "", *limits_table(found), "", *indices_table(found), ""]
    best = found.measure_first
    if best is not None and best.total >= LEAST_INDEX:
        lines += hung("measure", MEASURE[best.name], INDENT)
    settled = "; ".join(f"{share.draws}: {told(share)}" for share in found.by_draws[-4:])
    lines += hung("settles", f"by number of draws: {settled}", INDENT)
    lines += hung("drawn", _drawn(found), INDENT)
    if any(factor.kind == CELLS for factor in found.factors):
        lines += hung("spread", SPREAD, INDENT)
    lines += hung("unsure", unsure(found), INDENT)
    lines += hung("held", HELD, INDENT)
    lines += hung("audit", _audit(found), INDENT)
    for note in case.notes:
        lines += hung("note", note, INDENT)
    return [*lines, "", *hung("", CAUTION, 0)]


SPREAD = (
    "one lumped day stands for the pack: the weakest group of all (of the least capacity, charge "
    "and the most resistance, taken to be one and the same) with heat and current of the hottest "
    "cell of all; by order statistics, places and joints not told apart; the day as it is has "
    "identical cells"
)
HELD = (
    "the limits as they are, sizes, the load's shape; guesses are drawn apart from each other, so "
    "what a fit knows of a sum (resistance with polarisation) better than of its parts spreads "
    "wider here"
)


def unsure(found: Odds) -> str:
    """Return every factor with how far it may be off; what is only assumed so is told apart."""
    ours: list[str] = []
    theirs: list[str] = []
    for factor in found.factors:
        (ours if factor.source.startswith("assumed") else theirs).append(
            f"{factor.about} {off(factor)}"
        )
    said = [f"by profile and scenario {', '.join(theirs)}"] if theirs else []
    return "; ".join([*said, *([f"assumed {', '.join(ours)}"] if ours else [])])


def _drawn(found: Odds) -> str:
    moved = sum(factor.off > 0.0 for factor in found.factors)
    return (
        f"{moved} things at once, by Latin hypercube, seed {found.seed}; each within its "
        "uncertainty in 95 of 100 cases, log-normal to either side where it can't be negative, and "
        "never beyond 3 standard deviations; intervals are exact binomial ones (95 % sure); "
        f"{found.index_runs} runs more for what moves it"
    )


def _audit(found: Odds) -> str:
    bad = found.seen.unbelievable
    said = f"balances closed in {found.draws - bad} of {found.draws} draws"
    for at, why in found.seen.complaints[:2]:
        said += f"; draw {at + 1}: {why}"
    cut = found.draws - int(found.seen.finished.sum())
    if cut:
        said += f"; {cut} got hotter than the model knows and were stopped: they fail every limit"
    if found.index_unbelievable:
        said += f"; {found.index_unbelievable} runs for what moves it can't be believed"
    runs = [("the day as it is", found.nominal)]
    if found.close_call is not None:
        runs.append((f"draw {found.close_call[0] + 1}, nearest to its limit", found.close_call[1]))
    for name, run in runs:
        outcome = "passed" if run.audit.passed else "; ".join(run.audit.complaints)
        said += f"; whole run of {name}, second integrator and halved steps: {outcome}"
    return said


def name_of(first: int) -> str | None:
    """Return the limit's name, "audit" or "no_answer" of a draw's `first`; None for none."""
    if first >= 0:
        return NAMES[first]
    return {-1: None, NO_ANSWER: "no_answer"}.get(first, "audit")
