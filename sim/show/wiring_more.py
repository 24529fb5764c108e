"""What stands below the tables of the wiring: currents, shorts, links, and what is assumed."""

from __future__ import annotations

import math

from sim.ask.fault import UNEVEN
from sim.ask.wires import WINDOWS_S, Conductor, metal_of
from sim.ask.wiring import Wiring
from sim.physics.conductor import HOTTEST_TOLD_K
from sim.show.lines import signed, span
from sim.units import ZERO_C_K

GUARDS = (
    "a fuse guards the wire, not the cell: cells overheat and empty at currents that no fuse in "
    "the lead sees as a fault, and what lies between cells and fuse is not guarded at all"
)


def details(found: Wiring) -> list[tuple[str, str]]:
    """Return (label, text) of each line; an empty text is no line."""
    return [
        ("current", currents(found)),
        ("bears", bears(found)),
        ("loss", losses(found)),
        ("short", shorts(found)),
        ("fuse", GUARDS if found.run.case.scenario.fuse is not None else ""),
        ("", "" if found.run.case.scenario.fuse is not None else no_fuse()),
        *(("links", text) for text in links(found)),
        ("one lost", one_lost(found)),
        ("one out", one_out(found)),
        ("day", day(found)),
        ("audit", audit(found)),
        ("guesses", guesses(found)),
        ("assumed", "; ".join(assumptions(found))),
    ]


def no_fuse() -> str:
    """Return what is not known without a fuse."""
    return (
        "no [fuse] is given: a short circuit ends when something melts, and nothing is judged of it"
    )


def currents(found: Wiring) -> str:
    """Return the pack's peak and its worst rms over windows."""
    named = [f"{found.rms_A[w]:.1f} A over {span(w)}" for w in WINDOWS_S if w in found.rms_A]
    packs = ", of each pack" if found.day.packs > 1 else ""
    whole = f"{found.rms_A[0.0]:.1f} A over the whole run"
    return f"peak {found.peak_A:.1f} A; worst rms {', '.join([*named, whole])}{packs}"


def bears(found: Wiring) -> str:
    """Return what each element lets one pack give for good, the least first."""
    ranked = sorted(found.limits_A.items(), key=lambda item: item[1])
    if not ranked:
        return ""
    (name, least_A), rest = ranked[0], ranked[1:]
    others = ", ".join(f"{other} {limit_A:.0f} A" for other, limit_A in rest)
    said = f"the pack's current for good, in the hottest air: {name} the least, {least_A:.1f} A"
    return f"{said}; {others}" if others else said


def losses(found: Wiring) -> str:
    """Return volts and watts lost in all that is listed, at the peak and over the day."""
    if not found.conductors:
        return ""
    volt = math.fsum(c.all_volt for c in found.conductors)
    watt = math.fsum(c.all_watt for c in found.conductors)
    energy_Wh = math.fsum(c.energy_Wh for c in found.conductors)
    most = max(found.conductors, key=lambda c: c.all_watt)
    said = (
        f"all of it together {volt:.2g} V and {watt:.3g} W at the peak, {energy_Wh:.3g} Wh over "
        f"the run; the most in {most.table.name}, {most.all_watt:.3g} W"
    )
    if found.box_rise_K is not None:
        said += f"; would warm the box by {found.box_rise_K:.1f} K more, which the run has not in"
    return said


def shorts(found: Wiring) -> str:
    """Return the currents of a dead short, and when the fuse has cleared."""
    could = found.prospective
    said = (
        f"behind one pack's leads {could.greatest_A:.0f} A when full and warm "
        f"({1e3 * could.greatest_ohm:.1f} mohm), {could.least_A:.0f} A when as empty and cold as "
        f"the day makes it ({1e3 * could.least_ohm:.1f} mohm)"
    )
    if not found.withstands:
        return said
    worst = max(found.withstands, key=lambda w: w.used)
    if not math.isfinite(worst.clear_s):
        return f"{said}; the lesser may never open the fuse"
    return (
        f"{said}; cleared within {span(worst.clear_s)} at the latest; most of all is asked of "
        f"{worst.conductor.table.name}, {share(worst.used)} of what it bears (I2t of k2S2)"
    )


def share(used: float) -> str:
    """Return "96 %"; what is far beyond is told as no more than that."""
    return f"{100.0 * used:.0f} %" if used < 100.0 else "over 9999 %"


def links(found: Wiring) -> list[str]:
    """Return of each kind of cell link what a shorted cell does to it."""
    told = []
    for link in found.links:
        name = link.conductor.table.name
        if link.ratio == 0:
            told.append(f"{name}: one cell a group, so no neighbour feeds a shorted cell")
            continue
        short_mohm = found.run.case.scenario.wiring.internal_short_mohm
        said = (
            f"{name}: a cell shorted inside ({short_mohm:g} mohm) draws {link.fault_A:.0f} A "
            f"through its link, {link.healthy_A:.0f} A through each of {link.ratio} healthy "
            f"neighbours', {link.ratio} times less whatever the resistances; "
        )
        if not math.isfinite(link.melts_s):
            told.append(said + "its link never melts, so it is no fuse")
            continue
        hot = "above 300 C" if link.healthy_C > _TOLD_C else f"{link.healthy_C:z.0f} C"
        selective = {
            "holds": "selective",
            "may": "perhaps selective",
            "fails": "not selective",
        }[link.answer]
        uneven = ""
        if link.answer == "may" and link.healthy_C <= link.limit_C < link.uneven_C:
            far = "above 300 C" if link.uneven_C > _TOLD_C else f"{link.uneven_C:z.0f} C"
            uneven = f", {far} where one carries {100 * UNEVEN - 100:.0f} % more than its share"
        told.append(
            f"{said}its link melts after {span(link.melts_s)} at the earliest, the neighbours' "
            f"then at {hot}{uneven}: {selective}"
        )
    return told


_TOLD_C = HOTTEST_TOLD_K - ZERO_C_K


def one_lost(found: Wiring) -> str:
    """Return what one open cell link does to the rest of its group."""
    lost = found.lost
    if lost is None:
        return "one cell a group: when it is lost, the pack is"
    limit = f" (limit {lost.limit_A:g} A)" if math.isfinite(lost.limit_A) else ""
    return (
        f"one cell open, each other of its group carries {lost.current_ratio:.3f} times the "
        f"current, {lost.peak_A:.1f} A at the peak{limit}, and makes {lost.heat_ratio:.3f} times "
        "the heat"
    )


def one_out(found: Wiring) -> str:
    """Return how the hottest fares with one pack out; nothing of a single pack."""
    if found.one_out is None:
        return ""
    known = [c for c in found.one_out_conductors if c.hottest_C is not None]
    if not known:
        return ""

    def nearness(c: Conductor) -> float:
        return math.inf if c.margin_K is None else c.margin_K

    worst = min(known, key=nearness)
    assert worst.hottest_C is not None
    limit = "" if worst.margin_K is None else f", {signed(worst.margin_K, 'K')} to its limit"
    return (
        f"the same day on {found.one_out.packs} of {found.day.packs} packs, no board cutting in: "
        f"{worst.table.name} {worst.hottest_C:z.1f} C{limit}"
    )


def day(found: Wiring) -> str:
    """Return that the day itself fails, where it does."""
    verdict = found.run.verdict
    if verdict.passed or verdict.first is None:
        return ""
    return f"the pack itself does not pass this day ({verdict.first.event}); see simulate"


def audit(found: Wiring) -> str:
    """Return whether the run that gave the currents can be believed."""
    mine = found.run.audit
    return f"of the run: {'passed' if mine.passed else '; '.join(mine.complaints)}"


def guesses(found: Wiring) -> str:
    """Return how well each metal's resistivity is known, and from where."""
    told: dict[str, str] = {}
    for c in found.conductors:
        metal = metal_of(c.table)
        if metal is not None and c.table.material is not None:
            percent = 100.0 * metal.uncertainty
            told[c.table.material] = f"{c.table.material} +-{percent:g} % ({metal.source})"
    return "; ".join(told.values())


def assumptions(found: Wiring) -> list[str]:
    """Return what is taken for granted, one plain piece each."""
    fuse = found.run.case.scenario.fuse
    said = [
        "the conductors do not change the run: its currents are those of [pack]'s resistances",
        "a conductor lies free in still air as warm as the run's box (outside: as the weather), "
        "flat strip counts as a round bar of its outline, and no heat leaves by its ends; what is "
        "fixed to cells has their warmth about it where they are warmer",
        "'lasting' is for ever at the worst ten minutes' rms in the hottest air, 'hottest' along "
        "the actual current; watt and mV are of one piece at the peak",
        "'may' hangs on guesses: resistivity, still air 20 % weaker, for links the heat that "
        "cells take through their ends",
    ]
    if any(c.table.area_mm2 is not None for c in found.conductors):
        said.append("at its bad end a cable of so many mm2 has all the resistance IEC 60228 allows")
    if found.withstands:
        said.append(
            "short circuits are adiabatic (IEC 60364-5-54, IEC 60949), insulation bears 160 C "
            "for their time (IEC 60724) where no fault_max_C is given"
        )
    if fuse is not None and fuse.ratio:
        said.append(
            "the fuse's table is log-log; what varying current uses up adds as dt / t(I) and is "
            "forgotten after the table's longest time (common practice, no source); many pulses "
            "age a fuse, which is not counted"
        )
    if fuse is not None and not fuse.factor:
        said.append(
            f"the fuse's rating holds as at {fuse.rated_at_C:g} C, since no factors are given"
        )
    return said
