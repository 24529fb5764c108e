"""Do cable, busbar, links and fuse suit the currents of this day, and a short circuit?"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from sim.ask import fault
from sim.ask.built import BuiltResult
from sim.ask.lasting import settled
from sim.ask.simulate import simulate
from sim.ask.whole import Whole
from sim.ask.wires import (
    FAILS,
    UNKNOWN,
    Conductor,
    Day,
    conductor_of,
    day_of,
    greatest,
    lasting_A,
    windows_A,
)
from sim.ask.wiring_built import observed, pack_currents
from sim.ask.wiring_checks import (
    HOUR_S,
    ORDER,
    SHORT,
    Check,
    ampacities,
    lasting_limits_A,
    of_fuse,
    of_link,
    of_lost,
    of_short,
    opening,
    overloads,
    temperatures,
)
from sim.errors import InputError
from sim.files.built_case import is_built
from sim.files.case import Case
from sim.files.wiring_schema import WARN_LINK_MM2, FuseTable
from sim.integrate import march
from sim.judge.series import Series, series
from sim.physics.box import FREE_AIR
from sim.units import MILLI

WARN_LEAD_MM = 10.0  # assumed: a lead or bar of a whole pack is longer; metres come out shorter


@dataclass(frozen=True)
class Wiring:
    """The answer, complete at birth. Currents are of one pack."""

    run: Whole
    day: Day
    one_out: Day | None
    conductors: tuple[Conductor, ...]
    one_out_conductors: tuple[Conductor, ...]
    peak_A: float
    rms_A: dict[float, float]
    prospective: fault.Prospective
    withstands: tuple[fault.Withstand, ...]
    links: tuple[fault.LinkFault, ...]
    lost: fault.CellLost | None
    legs: tuple[str, ...]
    box_rise_K: float | None  # of the box by its leads in the worst hour, not in the run
    limits_A: dict[str, float]  # what each element lets one pack give for good
    checks: tuple[Check, ...]
    notes: tuple[str, ...]

    @property
    def answer(self) -> str:
        """Return the worst of all answers, where what is unknown is worse than what holds."""
        return min((check.answer for check in self.checks), key=ORDER.index, default=UNKNOWN)

    @property
    def passed(self) -> bool:
        """Whether nothing fails, and the run can be believed."""
        return self.answer != FAILS and self.run.audit.passed

    @property
    def tightest(self) -> Check | None:
        """Return the check with the least room among those of the worst answer."""
        known = [c for c in self.checks if c.used is not None]
        if not known:
            return None
        worst = min((c.answer for c in known), key=ORDER.index)
        return max((c for c in known if c.answer == worst), key=lambda c: c.used or 0.0)


def wiring(case: Case, progress: Callable[[float], None] | None = None) -> Wiring:
    """Run the day of `case` and judge its [[conductor]] entries and its [fuse].

    Raises InputError where there is neither, or where they can't be meant together, and
    ArithmeticError where the run has no length.
    """
    scenario, pack = case.scenario, case.plant.pack
    if not scenario.conductor and scenario.fuse is None:
        raise InputError(
            f"{case.path}: there is no [[conductor]] and no [fuse], so there is no wiring to judge"
        )
    check_tables(case)
    case = settled(case)
    run: Whole
    if is_built(scenario):
        run, seen, day, out = observed(case)
    else:
        run = simulate(case, progress=progress)
        seen, out = run.series, _one_out(case)
        day = day_of(seen, pack.parallel, pack.packs)
    conductors = tuple(conductor_of(table, day) for table in scenario.conductor)
    of_out = () if out is None else tuple(conductor_of(table, out) for table in scenario.conductor)
    peak_A = greatest(day.pack_A)
    could = fault.prospective(case, seen, listed_ohm(conductors, day))
    most_A = peak_A / pack.parallel if day.cell_A is None else greatest(day.cell_A)
    lost = fault.cell_lost(pack.parallel, most_A, case.limits.cell_discharge_A)
    links = _links(case, seen, conductors)
    withstands = _withstands(scenario.fuse, could, conductors)
    checks = [*temperatures(conductors), *ampacities(conductors, day)]
    checks += temperatures(of_out, one_out=True)
    if scenario.fuse is not None:
        checks += of_fuse(scenario.fuse, day, could)
        checks += [] if out is None else opening(scenario.fuse, out, one_out=True)
        checks += [of_short(w) for w in withstands]
        checks += overloads(scenario.fuse, conductors)
    else:
        checks.append(Check(SHORT, "the wiring", UNKNOWN, why="no [fuse] is given to end it"))
    checks += [of_link(link) for link in links if link.conductor.table.fusible]
    checks += of_lost(lost)
    empty_V = case.limits.cutoff_V * pack.series
    return Wiring(
        run=run,
        day=day,
        one_out=out,
        conductors=conductors,
        one_out_conductors=of_out,
        peak_A=peak_A,
        rms_A=windows_A(day.pack_A),
        prospective=could,
        withstands=withstands,
        links=links,
        lost=lost,
        legs=tuple(fault.leg_answers(scenario.wiring.legs_V, empty_V)),
        box_rise_K=_box_rise_K(case, conductors, day),
        limits_A=lasting_limits_A(case, conductors, day),
        checks=tuple(checks),
        notes=(*_notes(case, conductors, day), *_as_built(run)),
    )


def _box_rise_K(case: Case, conductors: tuple[Conductor, ...], day: Day) -> float | None:
    """Return by how much leads and bars in the box would warm it for good at the worst hour's rms.

    None without a box. Links are left out: the run has its joints' heat in the cells.
    """
    if case.plant.box.kind == FREE_AIR:
        return None
    inside = [c for c in conductors if c.table.where == "box" and c.table.carries != "cell"]
    whole_s = float(day.pack_A.edge_s[-1] - day.pack_A.edge_s[0])
    mean_W = math.fsum(c.energy_Wh for c in inside) * HOUR_S / whole_s
    mean_A, worst_A = lasting_A(day.pack_A, whole_s), lasting_A(day.pack_A, HOUR_S)
    more = (worst_A / mean_A) ** 2 if mean_A > 0.0 else 1.0
    return mean_W * more / case.plant.box.outside_W_K


def _links(
    case: Case, seen: Series, conductors: tuple[Conductor, ...]
) -> tuple[fault.LinkFault, ...]:
    """Return what a shorted cell does to each kind of link."""
    count = case.plant.pack.series * case.plant.pack.parallel
    links = [c for c in conductors if c.table.carries == "cell"]
    link_ohm = math.fsum(c.mohm * MILLI * c.table.count / count for c in links)
    found = [fault.link_fault(case, c, seen, link_ohm) for c in links]
    return tuple(link for link in found if link is not None)


def _withstands(
    fuse: FuseTable | None, could: fault.Prospective, conductors: tuple[Conductor, ...]
) -> tuple[fault.Withstand, ...]:
    """Return what a short does to each conductor until the fuse has cleared it."""
    if fuse is None:
        return ()
    range_A = (could.least_A, could.greatest_A)
    found = [fault.withstands(c, range_A, fuse) for c in conductors]
    return tuple(w for w in found if w is not None)


def check_tables(case: Case) -> None:
    """Raise InputError where wiring tables say what each accepts alone and the pack does not."""
    path, conductors = case.path, case.scenario.conductor
    complaints = []
    names = [table.name for table in conductors]
    for at, table in enumerate(conductors, 1):
        if names.index(table.name) != at - 1:
            complaints.append(
                f"{path}: [[conductor]] {at} name is {table.name!r} once more; accepted: another"
            )
        if table.cells is not None and table.cells > case.plant.pack.parallel:
            complaints.append(
                f"{path}: [[conductor]] {at} cells is {table.cells}; accepted: up to [pack] "
                f"parallel, {case.plant.pack.parallel}"
            )
    if complaints:
        raise InputError(complaints)


def _one_out(case: Case) -> Day | None:
    """Return the day with one pack out from its start; None where there is no other."""
    pack = case.plant.pack
    if pack.packs < 2:
        return None
    fewer = case.plant._replace(pack=pack._replace(packs=pack.packs - 1))
    settings = march.Settings(stop_at_limits=case.scenario.limits.on_cutoff == "stop")
    trace = march.march(fewer, case.limits, case.legs, case.start, settings)
    return day_of(series(fewer, case.legs, trace), pack.parallel, pack.packs - 1)


def listed_ohm(conductors: tuple[Conductor, ...], day: Day) -> float:
    """Return the resistance of all listed pieces as one pack's terminals feel it [ohm at 20 C].

    Watts of all pieces of a pack over the square of its current: R x count x share^2.
    """
    return math.fsum(
        c.mohm
        * MILLI
        * c.table.count
        * c.share**2
        / (day.packs if c.table.carries == "all_packs" else 1)
        for c in conductors
    )


def _as_built(run: Whole) -> list[str]:
    """Return how unevenly packs as built share, and what is told of them all alike."""
    if not isinstance(run, BuiltResult):
        return []
    said = ["short-circuit currents are of alike cells, as hot and as cold as the run's"]
    shares = pack_currents(run)
    if len(shares) > 1:
        told = ", ".join(
            f"pack {at} up to {peak_A:.1f} A ({rms_A:.1f} A in the worst ten minutes)"
            for at, (peak_A, rms_A) in enumerate(shares, 1)
        )
        said.append(f"{told}: judged by whichever carries most at each instant")
    return said


def _notes(case: Case, conductors: tuple[Conductor, ...], day: Day) -> tuple[str, ...]:
    """Return what in the tables is doubtful, one sentence each."""
    pack, found = case.plant.pack, []
    for at, c in enumerate(conductors, 1):
        if c.table.carries == "cell" and c.area_mm2 is not None and c.area_mm2 > WARN_LINK_MM2:
            found.append(
                f"[[conductor]] {at}: {c.area_mm2:.0f} mm2 for one cell's link is doubtful; was "
                "its area meant in other units?"
            )
        whole = c.table.carries in ("pack", "all_packs")
        if whole and c.table.length_mm is not None and c.table.length_mm < WARN_LEAD_MM:
            found.append(
                f"[[conductor]] {at}: {c.table.length_mm:g} mm long is doubtful for what carries "
                "a pack's current; was its length meant in other units?"
            )
    links = tuple(c for c in conductors if c.table.carries == "cell")
    leads = tuple(c for c in conductors if c.table.carries in ("pack", "all_packs"))
    for named, of, said_ohm, those in (
        ("joint_mohm", "one cell's current", pack.joint_ohm * pack.series / pack.parallel, links),
        ("lead_mohm", "a pack's current", pack.lead_ohm, leads),
    ):
        ohm = listed_ohm(those, day)
        if those and ohm > 1.2 * said_ohm + 1e-5:
            found.append(
                f"the [[conductor]] entries that carry {of} come to {ohm / MILLI:.2f} mohm of a "
                f"pack, [pack] {named} makes {said_ohm / MILLI:.2f} mohm; the day was run with the "
                "latter"
            )
    return tuple(found)
