"""The answer in plain words: one sentence with its margin, then a short table."""

from __future__ import annotations

from typing import Protocol

from sim.ask.bad_end import BadEnd
from sim.ask.lasting import keeps_changing
from sim.ask.simulate import Result
from sim.ask.whole import Whole
from sim.files.case import Case, guesses
from sim.files.unsure import BETWEEN, GAP
from sim.judge.series import count, totals
from sim.judge.verdict import EVENTS, UNANSWERED, Event, Judged, Verdict
from sim.physics.limits import CUTOFF, EMPTY, HOT, NAMES, RESERVE
from sim.show import days_words, fitted_words
from sim.show.lines import at, hung, moment, number, room, small, span
from sim.show.one_out_words import clause, told
from sim.units import SECONDS_PER_HOUR

CAUTION = (
    "Caution: lithium-ion packs can burn and are hard to put out; this model knows only what it "
    "was told. Measure real cell temperatures under load, fit a fuse and a protection board to "
    "every pack, never charge below 0 C; local codes and licensed practice come first."
)
INDENT = 11  # of what stands behind "energy", "audit" and so on
NEAR_FULL_V = 0.02  # as much of a limit of 4.2 V as a good cell monitor's error, twice
NEAR_FROST_K = 10.0  # with more room than this at the colder end, frost is not told of
HELD = 1e-6  # V, K, A, W or %: room that a charger leaves at its own voltage is none
AN_INSTANT_S = 1e-3  # a run that stops at a crossing is no longer beyond it than that
# The verdict tells the worst of these two anyway, so a crossing of theirs need not.
TOLD_ANYWAY = (NAMES[HOT], NAMES[CUTOFF])


def _against(judged: Judged) -> str:
    assert judged.margin is not None
    safe, beyond = ("below", "above") if judged.name == NAMES[HOT] else ("above", "below")
    what = "its limit" if judged.name == NAMES[HOT] else "cut-off"
    return f"{room(judged.margin, judged.unit)} {safe if judged.margin >= 0.0 else beyond} {what}"


def _temperatures_and_voltage(result: Result) -> str:
    hot, low = result.verdict.limit(HOT), result.verdict.limit(CUTOFF)
    assert hot.worst is not None and low.worst is not None
    assert hot.time_s is not None and low.time_s is not None
    return (
        f"hottest core {number(hot.worst, 'K')} {at(result.case, hot.time_s)}, {_against(hot)}; "
        f"lowest cell {number(low.worst, 'V')} {at(result.case, low.time_s)}, {_against(low)}"
    )


def answer(result: Result) -> str:
    """Return the verdict in one sentence, its margin in it."""
    verdict = result.verdict
    end = "ends" if verdict.finished else "stops"
    end += f" at {100.0 * result.series.soc[-1]:z.0f} % charge"
    if verdict.passed:
        reserve = verdict.limit(RESERVE)
        if reserve.level:
            end += f" ({reserve.level:.0f} % is the reserve)"
        opening = "Stays cool" if result.bad_end.passed else "Stays cool if the guesses hold"
        end += clause(result.one_out) + days_words.ending(result.case)
        if keeps_changing(result.case):
            opening = f"Cannot tell: {days_words.of_open(result.case)}"
        return f"{opening}: {_temperatures_and_voltage(result)}; {end}."
    crossed = _crossed(result) + days_words.ending(result.case)
    if verdict.unanswered:
        return (
            f"Cannot tell: {crossed}, where the model knows nothing; "
            f"{_temperatures_and_voltage(result)}; {end}."
        )
    return (
        f"{_opening(result)}: {crossed}; {_temperatures_and_voltage(result)}; {end}."
        f"{_unfinished(result)}"
    )


def _opening(result: Result) -> str:
    verdict = result.verdict
    if not verdict.limit(HOT).passed:
        return "Gets too hot"
    if not verdict.finished:
        return "Does not last the day"
    failed = sum(not judged.passed for judged in verdict.limits)
    return f"Stays cool, but crosses {'another limit' if failed == 1 else f'{failed} other limits'}"


def _unfinished(result: Result) -> str:
    if result.verdict.finished:
        return ""
    end_s, whole_s = result.trace.end_s, float(result.case.legs.end_s[-1])
    if end_s <= float(result.case.legs.start_s[0]):
        return " The run stops as it begins; nothing is known of the day."
    return (
        f" The run stops {at(result.case, end_s)}, {100.0 * end_s / whole_s:.0f} % into the day; "
        "nothing is known of the rest."
    )


def _crossed(result: Result) -> str:
    """Return what gave first, with its size and time, then the others in order of time."""
    first = result.verdict.first
    assert first is not None  # a run that fails has an event
    judged = {limit.name: limit for limit in result.verdict.limits}
    told = _crossing(result, first, judged[first.name])
    others: dict[str, str] = {}
    for event in result.verdict.events:
        if event.name != first.name and event.name not in others:
            others[event.name] = event.event + _by(judged[event.name], " (by {})")
    return ", then ".join([told, ", ".join(others.values())] if others else [told])


def _by(judged: Judged, form: str) -> str:
    """Return by how much a limit was passed; nothing where the run ended at the very crossing."""
    assert judged.margin is not None
    if judged.name in TOLD_ANYWAY or judged.seconds_beyond < AN_INSTANT_S:
        return ""
    return form.format(room(judged.margin, judged.unit))


def _crossing(result: Result, first: Event, judged: Judged) -> str:
    """Return "pack current above limit (80.0 A) at 15:12, by 3.1 A at worst, 2 min in all"."""
    beyond_s = judged.seconds_beyond
    lasted = f", {span(beyond_s)} in all" if beyond_s >= AN_INSTANT_S else ""
    return (
        f"{first.event} ({number(first.limit, first.unit)}) {at(result.case, first.time_s)}"
        f"{_by(judged, ', by {} at worst')}{lasted}"
    )


class Judgeable(Protocol):
    """Any result that has a case and a verdict."""

    @property
    def case(self) -> Case:
        """The case that was run."""

    @property
    def verdict(self) -> Verdict:
        """What became of every limit."""


def worth_telling(result: Judgeable) -> list[Judged]:
    """Return the limits that tell the maker something, in their own order.

    Left out are those that never applied, one of "charge left" with and without the reserve, and
    the bounds of the model itself as long as they are kept.
    """
    kept = result.verdict.limit(RESERVE)
    doubled = NAMES[EMPTY] if kept.level and result.verdict.limit(EMPTY).passed else NAMES[RESERVE]
    own = {NAMES[n] for n in UNANSWERED}
    return [
        j
        for j in result.verdict.limits
        if j.margin is not None and j.name != doubled and not (j.passed and j.name in own)
    ]


def table(result: Judgeable) -> list[str]:
    """Return the lines of the table of limits: worst value, margin, when, seconds beyond."""
    lines = [f"{'limit':<29}{'level':>10}{'worst':>10}{'margin':>11}  {'when':<10}{'beyond':>9}"]
    for j in worth_telling(result):
        assert j.margin is not None and j.worst is not None
        assert j.level is not None and j.time_s is not None
        about = "charge left, with reserve" if j.name == NAMES[RESERVE] else j.about
        sign = "-" if j.margin < 0 or not j.passed else "+"
        margin = 0.0 if 0.0 < j.margin < HELD else j.margin
        lines.append(
            f"{about:<29}{number(j.level, j.unit):>10}{number(j.worst, j.unit, margin):>10}"
            f"{sign + room(margin, j.unit):>11}  {moment(result.case, j.time_s):<10}"
            f"{'-' if j.passed else span(j.seconds_beyond):>9}"
        )
    return lines


def verdict(result: Result) -> str:
    """Return the first line of every answer: the verdict, behind a warning where one is due."""
    warning = distrust(result)
    return f"{warning} {answer(result)}" if warning else answer(result)


def report(result: Result) -> list[str]:
    """Return everything that `simulate` prints about a run, the verdict first."""
    case, found = result.case, guesses(result.case)
    lines = [verdict(result), "", *table(result), ""]
    lines += hung("energy", _energy(result), INDENT)
    short_J = totals(result.trace)["short_J"]
    if short_J > 0.0:
        short_Wh = short_J * count(case.plant) / SECONDS_PER_HOUR
        lines += hung("shortfall", f"{short_Wh:.1f} Wh asked and not delivered", INDENT)
    for words in days_words.told(case, result.days, result.repeats_from):
        lines += hung("days", words, INDENT)
    lines += hung("audit", _audit(result), INDENT)
    for note in (*case.notes, *fitted_words.notes(result)):
        lines += hung("note", note, INDENT)
    if found:
        named = ", ".join(
            g["what"]
            + (f" (+-{100.0 * g['uncertainty']:.0f} %)" if g["uncertainty"] is not None else "")
            for g in found
        )
        lines += hung("guesses", f"{case.profile.name}: {named}", INDENT)
    if result.one_out is not None:
        lines += hung("pack out", told(case, result.one_out), INDENT)
    lines += hung("bad end", _bad_end(result), INDENT)
    lines += cold_end(case, result.bad_end)
    lines += full_end(case, result.bad_end)
    lines += hung("assumed", "; ".join(case.assumptions), INDENT)
    return [*lines, "", *hung("", CAUTION, 0)]


def _bad_end(result: Result) -> str:
    """Return what becomes of the day with every guess at its hotter and emptier end."""
    bad = result.bad_end
    hot, low, first = bad.verdict.limit(HOT), bad.verdict.limit(CUTOFF), bad.verdict.first
    assert hot.worst is not None and low.worst is not None  # both always apply
    outcome = "no limit is crossed"
    if first is not None:
        outcome = f"{first.event} {at(result.case, first.time_s)}"
    outcome += cut_short(bad.verdict) + days_words.at_bad_end(bad.lasted)
    return (
        f"{hotter_end(result.case, bad)}: {outcome}; hottest "
        f"core {number(hot.worst, 'K')}, {_against(hot)}; lowest cell {number(low.worst, 'V')}, "
        f"{_against(low)}; {'ends' if bad.verdict.finished else 'stops'} at "
        f"{100.0 * bad.end_soc:z.0f} % charge"
    )


def cooling_weaker(case: Case, share: float) -> str:
    """Return " and still-air cooling 20 % weaker": what a bad end takes off; nothing for nought."""
    air = "still-air" if case.scenario.cooling.conductance_W_K is None else "measured"
    return f" and {air} cooling {100.0 * share:.0f} % weaker" if share else ""


def hotter_end(case: Case, bad: BadEnd) -> str:
    """Return how all guesses stand at their hotter and emptier end, the cooling too."""
    between = bad.moved.get(BETWEEN, 0.0)
    cooling = cooling_weaker(case, bad.moved["film"])
    if between:
        cooling += f", between cells {100.0 * between:.0f} % weaker still"
    if GAP in bad.moved:
        cooling += f", gaps handing on {100.0 * bad.moved[GAP]:.0f} % less"
    return f"with all guesses at their hotter and emptier end at once{cooling}"


def cut_short(verdict: Verdict) -> str:
    """Return what stands behind the outcome of a bad end that did not see its whole day."""
    return "" if verdict.finished else ", and a run that stops: nothing is known of its rest"


def cold_end(case: Case, bad: BadEnd) -> list[str]:
    """Return what frost does at the colder end, where it comes near a limit or crosses one."""
    begin = "with all guesses at their colder end at once, mass and cooling at either: "
    never = "charging never begins; " if "colder" in bad.never_charges else ""
    cold = bad.cold
    if cold is None or cold.margin is None or (cold.margin > NEAR_FROST_K and not never):
        return hung("cold end", begin + never.removesuffix("; "), INDENT) if never else []
    assert cold.worst is not None and cold.time_s is not None
    outcome = "no limit of cold is crossed" if cold.passed else EVENTS[NAMES.index(cold.name)]
    side = "above" if cold.margin >= 0.0 else "below"
    said = (
        f"{begin}{never}{outcome}; {cold.about} {number(cold.worst, 'K')} {at(case, cold.time_s)}, "
        f"{room(cold.margin, 'K')} {side} its limit"
    )
    return hung("cold end", said, INDENT)


def full_end(case: Case, bad: BadEnd) -> list[str]:
    """Return how near cells come to their full voltage at the fuller end, where that is near."""
    full = bad.full
    if full is None or full.margin is None or full.margin > NEAR_FULL_V:
        return []
    assert full.worst is not None and full.time_s is not None
    outcome = "no cell is charged too far" if full.passed else EVENTS[NAMES.index(full.name)]
    said = (
        "with all guesses at their fuller end at once, more voltage, charge and resistance: "
        f"{outcome}; {full.about} {number(full.worst, 'V', full.margin)} {at(case, full.time_s)}, "
        f"{room(full.margin, 'V')} {'below' if full.margin >= 0.0 else 'above'} its limit"
    )
    return hung("full end", said, INDENT)


def _energy(result: Result) -> str:
    sums, plant = totals(result.trace), result.case.plant
    all_Wh = count(plant) / SECONDS_PER_HOUR
    heat_J = sums["ohmic_J"] + sums["pair_J"] + sums["reversible_J"] + sums["joint_J"]
    charge_Ah = sums["charge_As"] * plant.pack.parallel * plant.pack.packs / SECONDS_PER_HOUR
    net = "net, " if result.case.load.value.min() < 0.0 else "delivered, "
    soc = 100.0 * result.series.soc
    return (
        f"{sums['delivered_J'] * all_Wh:.0f} Wh {net}{charge_Ah:.1f} Ah, {heat_J * all_Wh:.0f} Wh "
        f"made heat in the cells; charge {soc[0]:z.0f} % -> {soc[-1]:z.1f} %"
    )


def _audit(result: Result) -> str:
    audit = result.audit
    worst = max((b for b in audit.balances.values() if b is not None), default=0.0)
    difference_V = max((s.difference_V for s in audit.spots), default=0.0)
    difference_K = max((s.difference_K for s in audit.spots), default=0.0)
    said = (
        f"{'passed' if audit.passed else 'FAILED'}: balances close to {worst:.0e} of what flowed; "
        f"a second integrator over the worst quarter hours differs by "
        f"{small(difference_V * 1e3, 'mV')} and {small(difference_K, 'K')}"
    )
    if audit.halving is not None:
        said += (
            f"; halving all steps changes {small(audit.halving.difference_V * 1e3, 'mV')} and "
            f"{small(audit.halving.difference_K, 'K')}"
        )
    return f"{said}; {audit.steps} steps"


def distrust(result: Whole) -> str | None:
    """Return the warning that stands before the verdict of a run whose audit failed."""
    if result.audit.passed:
        return None
    return f"Do not trust this run: {'; '.join(result.audit.complaints)}."
