"""The wiring in plain words: whether it holds, what has the least room, and a table."""

from __future__ import annotations

import math

from sim.ask.fault import LOW, OPEN_JOINT
from sim.ask.whole import end_s
from sim.ask.wires import FAILS, HOLDS, MAY, UNKNOWN, Conductor
from sim.ask.wiring import Wiring
from sim.ask.wiring_checks import (
    AMPACITY,
    BREAKING,
    CELL_LOST,
    CONTINUOUS,
    LINK,
    OPENING,
    OVERLOAD,
    SHORT,
    TEMPERATURE,
    VOLTAGE,
    Check,
)
from sim.files.case import Case
from sim.physics.conductor import HOTTEST_TOLD_K
from sim.show.lines import at, hung, room, signed, span
from sim.show.sentences import CAUTION, INDENT, distrust
from sim.show.wiring_more import details
from sim.units import ZERO_C_K

OPENINGS = {
    HOLDS: "Wiring holds",
    MAY: "Wiring may not hold",
    FAILS: "Wiring fails",
    UNKNOWN: "Wiring holds as far as it is known",
}
# What each kind of check is called in the table of the fuse.
ABOUT = {
    VOLTAGE: "voltage, full pack",
    BREAKING: "short circuit to break",
    CONTINUOUS: "lasting current, worst hour",
    OPENING: "opened by the day itself",
}
NEVER = {HOLDS: "never", MAY: "may", FAILS: "will", UNKNOWN: "unknown"}
HOTTEST_TOLD_C = HOTTEST_TOLD_K - ZERO_C_K
NAME = 20  # letters of a name in the table, a space behind it


def degrees(value_C: float | None) -> str:
    """Return "73.1 C"; "above 300 C" where air and metal are no more what the model knows."""
    if value_C is None:
        return "-"
    return "above 300 C" if value_C > HOTTEST_TOLD_C else f"{value_C:z.1f} C"


def _off(check: Check) -> str:
    """Return "16.9 K below" or "4.2 K above" of a temperature's limit."""
    assert check.margin is not None and check.value is not None
    if check.value > HOTTEST_TOLD_C:
        return "far above"
    return f"{room(check.margin, 'K')} {'below' if check.margin >= 0.0 else 'above'}"


def sentence(found: Wiring, check: Check) -> str:
    """Return one check as half a sentence, its margin in it."""
    if check.answer == UNKNOWN or check.value is None or check.limit is None:
        about = {TEMPERATURE: "warmth", OPENING: "opening by the day"}.get(check.kind, check.kind)
        said = f"{check.element}, {about}: not known, since {check.why}"
        return said if check.kind != LINK else f"{check.element} does not open, since {check.why}"
    words = _WORDS[check.kind](found, check)
    return f"with one pack out {words}" if check.one_out else words


def _temperature(found: Wiring, check: Check) -> str:
    conductors = found.one_out_conductors if check.one_out else found.conductors
    (mine,) = [c for c in conductors if c.table.name == check.element]
    assert mine.hottest_s is not None
    words = (
        f"{check.element} {degrees(check.value)} {at(found.run.case, mine.hottest_s)}, "
        f"{_off(check)} its insulation's limit"
    )
    if check.answer == MAY and mine.hot_end_C is not None and check.margin is not None:
        if check.margin >= 0.0:
            words += f", but {degrees(mine.hot_end_C)} with all guesses at their hotter end"
        elif mine.cool_end_C is not None:
            words += f", or {degrees(mine.cool_end_C)} where the cells take its heat"
    return words


def _opening(found: Wiring, check: Check) -> str:
    assert check.value is not None
    if check.answer == FAILS:
        return "the day itself opens the fuse"
    share = f"{100.0 * min(check.value, 99.0):.0f} % of the time that it surely holds"
    if check.answer == MAY:
        return f"the day itself may open the fuse: it uses up {share}"
    return f"the day itself never opens the fuse: it uses up {share}"


def _short(found: Wiring, check: Check) -> str:
    (w,) = [w for w in found.withstands if w.conductor.table.name == check.element]
    if not math.isfinite(w.clear_s):
        return f"a short circuit of {w.current_A:.0f} A in {check.element} may never open the fuse"
    return (
        f"a short circuit of {w.current_A:.0f} A takes {check.element} to {degrees(w.end_C)} in "
        f"the {span(w.clear_s)} that the fuse may need, {_off(check)} the {w.limit_C:.0f} C that "
        "it bears"
    )


def _overload(_: Wiring, check: Check) -> str:
    words = (
        f"the fuse may ask {check.value:.1f} A of {check.element} for good, "
        f"which bears {check.limit:.1f} A"
    )
    return words if check.answer == HOLDS else f"{words}: no guard against a slow overload"


_WORDS = {
    TEMPERATURE: _temperature,
    OPENING: _opening,
    SHORT: _short,
    OVERLOAD: _overload,
    AMPACITY: lambda _, c: (
        f"{c.element} carries {c.value:.1f} A over its worst ten minutes, of the {c.limit:.1f} A "
        "that its table allows there"
    ),
    VOLTAGE: lambda _, c: f"the fuse is for {c.limit:g} V DC and the full pack has {c.value:.1f} V",
    BREAKING: lambda _, c: (
        f"a short circuit of {c.value:.0f} A against the {c.limit:.0f} A that the fuse can break"
    ),
    CONTINUOUS: lambda f, c: (
        f"the fuse carries {c.value:.1f} A over its worst hour, of the {c.limit:.1f} A that it may"
    ),
    LINK: lambda _, c: (
        f"when one cell shorts and its {c.element} melts, its neighbours' are at "
        f"{degrees(c.value)}, {_off(c)} what they bear"
    ),
    CELL_LOST: lambda _, c: (
        f"with one cell lost the others of its group carry {c.value:.1f} A, of {c.limit:.1f} A"
    ),
}


def answer(found: Wiring) -> str:
    """Return the answer in one line: what fails, or else the hottest and the least room."""
    opening, tightest = OPENINGS[found.answer], found.tightest
    alike = [c for c in found.checks if c.answer == found.answer]
    if found.answer in (FAILS, MAY):
        alike.sort(key=lambda c: -math.inf if c.used is None else -c.used)
        told = "; ".join(sentence(found, check) for check in alike[:2])
        if len(alike) > 2:
            told += f"; and {len(alike) - 2} more"
        may = sum(check.answer == MAY for check in found.checks)
        if found.answer == FAILS and may:
            told += f"; {may} more may"
        return f"{opening}: {told}.{_unfinished(found)}"
    hottest = _hottest(found)
    said = [] if hottest is None else [f"hottest for its insulation is {sentence(found, hottest)}"]
    if tightest is not None and tightest is not hottest:
        said.append(f"least room: {sentence(found, tightest)}")
    if found.answer == UNKNOWN:
        said.append(f"not known of {len(alike)}: {sentence(found, alike[0])}")
    return f"{opening}: {'; '.join(said)}.{_unfinished(found)}"


def _hottest(found: Wiring) -> Check | None:
    """Return the temperature nearest its limit, none of a day with one pack out unless it leads."""
    known = [c for c in found.checks if c.kind == TEMPERATURE and c.margin is not None]
    return min(known, key=lambda c: c.margin or 0.0, default=None)


def _unfinished(found: Wiring) -> str:
    if found.run.verdict.finished:
        return ""
    return f" The run stops {at(found.run.case, end_s(found.run))}; nothing is known of the rest."


def verdict(found: Wiring) -> str:
    """Return the first line, behind a warning where the run can't be believed."""
    warning = distrust(found.run)
    return f"{warning} {answer(found)}" if warning else answer(found)


def table(found: Wiring) -> list[str]:
    """Return the table of conductors, a line each, of one piece."""
    lines = [
        f"{'conductor':<{NAME}}{'mohm':>7}{'peak':>8}{'10 min':>8}{'watt':>8}{'mV':>7}"
        f"{'lasting':>9}{'hottest':>9}{'limit':>7}{'margin':>9}  answer"
    ]
    for c in found.conductors:
        margin = "-" if c.margin_K is None else signed(c.margin_K, "K")
        if c.hottest_C is not None and c.hottest_C > HOTTEST_TOLD_C:
            margin = "-"
        lines.append(
            f"{_cut(c.table.name):<{NAME}}{c.mohm:>7.3g}{c.peak_A:>6.1f} A{_lasting(c):>6.1f} A"
            f"{_digits(c.watt):>8}{_digits(1e3 * c.volt):>7}{_in_table(c.steady_C):>9}"
            f"{_in_table(c.hottest_C):>9}{'-' if c.limit_C is None else f'{c.limit_C:.0f} C':>7}"
            f"{margin:>9}  {c.answer}"
        )
    return lines


def _digits(value: float) -> str:
    """Return three digits, so that a space is left beside them in the table."""
    if 0.0 < value < 0.001:
        return "<0.001"
    return f"{value:.0f}" if value >= 1000.0 else f"{value:.3g}"


def _lasting(c: Conductor) -> float:
    return c.rms_A.get(600.0, c.rms_A[0.0])


def _in_table(value_C: float | None) -> str:
    return ">300 C" if value_C is not None and value_C > HOTTEST_TOLD_C else degrees(value_C)


def _cut(name: str) -> str:
    return name if len(name) < NAME else f"{name[: NAME - 4]}..."


def fuse_table(found: Wiring) -> list[str]:
    """Return the table of what is asked of the fuse; nothing where there is none."""
    mine = [c for c in found.checks if c.kind in ABOUT]
    if not mine:
        return []
    lines = [f"{'fuse':<40}{'value':>10}{'limit':>10}{'margin':>11}  answer"]
    for check in mine:
        about = ABOUT[check.kind] + (", one pack out" if check.one_out else "")
        if check.kind == OPENING:
            lines.append(f"{about:<40}{'':>10}{'':>10}{'':>11}  {NEVER[check.answer]}")
        elif check.value is None or check.limit is None or check.margin is None:
            lines.append(f"{about:<40}{'-':>10}{'-':>10}{'-':>11}  {check.answer}")
        else:
            sizes = [f"{v:.1f} {check.unit}" for v in (check.value, check.limit)]
            margin = signed(check.margin, check.unit, 1)
            lines.append(f"{about:<40}{sizes[0]:>10}{sizes[1]:>10}{margin:>11}  {check.answer}")
    return lines


def legs(found: Wiring, case: Case) -> str:
    """Return what the voltages of parallel legs say; nothing where none are given."""
    told = []
    for number, (leg_V, said) in enumerate(
        zip(case.scenario.wiring.legs_V, found.legs, strict=True), 1
    ):
        if said == OPEN_JOINT:
            told.append(f"leg {number} at {leg_V:g} V has an open joint, it is no empty pack")
        elif said == LOW:
            told.append(f"leg {number} at {leg_V:g} V is emptier or badly joined, can't tell which")
    if not case.scenario.wiring.legs_V:
        return ""
    return "; ".join(told) if told else "parallel legs all alike"


def report(found: Wiring) -> list[str]:
    """Return everything that `wiring` prints, the answer first."""
    case = found.run.case
    lines = [verdict(found), ""]
    for block in (table(found) if found.conductors else [], fuse_table(found)):
        lines += [*block, ""] if block else []
    for check in found.checks:
        if check.answer != HOLDS:
            lines += hung(check.answer, sentence(found, check), INDENT)
    for label, text in (*details(found), ("legs", legs(found, case))):
        lines += hung(label, text, INDENT) if text else []
    for note in (*case.notes, *found.notes):
        lines += hung("note", note, INDENT)
    return [*lines, "", *hung("", CAUTION, 0)]
