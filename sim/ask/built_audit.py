"""Whether a run of a pack as built can be believed: balances, halved steps, scipy once more."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sim.ask.built_run import Hour, onward, part, settings_of, taken_up
from sim.files.built_case import BuiltCase
from sim.integrate import built_records as column
from sim.integrate.built_records import DONE_S, Run
from sim.judge.audit import SPOT_K, SPOT_V, Spot
from sim.judge.built import balances, complaints
from sim.judge.built_spot import METHOD, RELATIVE, NotDone, Stretch, legs_about, spot
from sim.physics.board import CLOSED, WHEN, WHICH
from sim.physics.built import CORE, SURFACE, copied

Floats = NDArray[np.float64]
APART_S = 1e-3  # two runs switch "at the same instant" up to here


@dataclass(frozen=True)
class Audit:
    """What was checked of a run of a pack as built."""

    balances: dict[str, float]
    halving_K: float
    halving_V: float
    halved: str  # which part of the day
    spots: tuple[Spot, ...]
    not_done: tuple[str, ...]  # checks that could not be made, and why
    second_integrator: str
    steps: int
    complaints: tuple[str, ...]

    @property
    def passed(self) -> bool:
        """Whether every balance closed and every check that could be made agreed."""
        return not self.complaints


def audited(case: BuiltCase, run: Run, hours: list[Hour]) -> Audit:
    """Return the balances, what halving the step changes, and what scipy makes of the worst."""
    found = balances(run)
    off_K, off_V, halved, said = _halving(case, run, hours)
    spots, not_done = _spots(case, run, hours)
    said = [*complaints(found), *said]
    said += [
        f"a second integrator differs by {s.difference_V * 1e3:.2g} mV and {s.difference_K:.2g} K "
        f"in the quarter hour of the {s.why}"
        for s in spots
        if not (s.difference_V <= SPOT_V and s.difference_K <= SPOT_K)
    ]
    second = f"scipy solve_ivp {METHOD}, relative tolerance {RELATIVE:g}"
    return Audit(
        found, off_K, off_V, halved, tuple(spots), tuple(not_done), second, run.steps, tuple(said)
    )


def _kept(run: Run) -> Floats:
    return run.past.kept[: int(run.past.rows[0])]


def _switched(run: Run) -> Floats:
    """Return which threshold switched, whether it let go, and when, (m, 3)."""
    logged = min(int(run.switches.logged[0]), len(run.switches.log))
    return run.switches.log[:logged][:, [WHICH, CLOSED, WHEN]]


def _halving(case: BuiltCase, run: Run, hours: list[Hour]) -> tuple[float, float, str, list[str]]:
    """Return what halving the step changes over the hour of the hottest cell [K, V].

    Where boards switch, the two runs are compared but between the two instants of each switching;
    where one of them switches otherwise than the other, up to there only, and that is said.
    """
    kept = _kept(run)
    hottest_s = float(kept[int(np.argmax(kept[:, column.CORE_HOT_K])), column.TIME])
    hour = [h for h in hours if h.time_s <= hottest_s][-1]
    later = [h.leg for h in hours if h.leg > hour.leg]
    # Up to where the run ended: past it, below an empty cell, small things grow large.
    legs = case.legs
    ended = max(int(np.searchsorted(legs.start_s, run.end_s)), hour.leg + 1)
    last = min(later[0] if later else ended, ended)
    ends_s = np.append(legs.end_s[: ended - 1], min(run.end_s, legs.end_s[ended - 1]))
    case = replace(case, legs=legs._replace(end_s=np.append(ends_s, legs.end_s[ended:])))
    whole = settings_of(case, stop_at_limits=False)
    one = onward(case, hour, whole, last)
    two = onward(case, hour, replace(whole, longest_step_s=0.5 * whole.longest_step_s), last)
    until_s, spans_s = _alike(_switched(one), _switched(two))
    off_K, off_V = _apart(_kept(one), _kept(two), until_s, spans_s)
    words, said = "the hour of the hottest cell", []
    if until_s < np.inf:
        words += " up to where its boards switch otherwise with other steps"
    elif not len(spans_s):
        ends_K = one.state.cells[[CORE, SURFACE]] - two.state.cells[[CORE, SURFACE]]
        off_K = max(off_K, float(np.max(np.abs(ends_K))))
    if not (off_K <= SPOT_K and off_V <= SPOT_V):
        said.append(f"halving the step moves the run by {off_V * 1e3:.2g} mV and {off_K:.2g} K")
    return off_K, off_V, words, said


def _alike(one: Floats, two: Floats) -> tuple[float, Floats]:
    """Return up to when two runs switch alike, and between which instants they stand apart."""
    many = min(len(one), len(two))
    same = np.all(one[:many, :2] == two[:many, :2], axis=1)
    good = int(np.argmin(same)) if not same.all() else many
    instants_s = np.stack([one[:good, 2], two[:good, 2]], axis=1)
    spans_s = np.stack([instants_s.min(axis=1) - APART_S, instants_s.max(axis=1) + APART_S], axis=1)
    if good == len(one) == len(two):
        return np.inf, spans_s
    ahead_s = [run[good, 2] for run in (one, two) if good < len(run)]
    return float(min(ahead_s)) - APART_S, spans_s


def _apart(a: Floats, b: Floats, until_s: float, spans_s: Floats) -> tuple[float, float]:
    """Return the largest differences of the extreme cores [K] and the lowest cell [V].

    Only where both runs kept a row; edges hold two rows at an instant, the leg tells them apart.
    """
    # A leg's number moves its rows apart from those of the leg before at the same instant.
    key_a, key_b = (np.round(x[:, column.TIME] + 1e3 * x[:, column.LEG], 5) for x in (a, b))
    _, at_a, at_b = np.intersect1d(key_a, key_b, return_indices=True)
    a, b = a[at_a], b[at_b]
    time_s = a[:, column.TIME]
    counts = time_s <= until_s
    for low_s, high_s in spans_s.tolist():
        counts &= (time_s < low_s) | (time_s > high_s)
    off = np.abs(a[counts] - b[counts])
    cores = off[:, [column.CORE_HOT_K, column.CORE_COLD_K]]
    return float(np.max(cores, initial=0.0)), float(np.max(off[:, column.CELL_LOW_V], initial=0.0))


def _spots(case: BuiltCase, run: Run, hours: list[Hour]) -> tuple[list[Spot], list[str]]:
    """Return scipy's quarter hours about the hottest core and the lowest voltage."""
    kept = _kept(run)
    instants_s = {
        "hottest core": kept[int(np.argmax(kept[:, column.CORE_HOT_K])), column.TIME],
        "lowest cell voltage": kept[int(np.argmin(kept[:, column.CELL_LOW_V])), column.TIME],
    }
    changes_s = np.concatenate([_switched(run)[:, 2], run.past.windows[:, DONE_S]])
    changes_s = changes_s[np.isfinite(changes_s)]
    found, lacks = [], []
    for why, time_s in instants_s.items():
        try:
            first, last = legs_about(case.legs, run.end_s, float(time_s), changes_s)
            stretch = _stretch(case, hours, first, last)
            found.append(spot(case.built, case.legs, case.day, stretch, why))
        except NotDone as reason:
            lacks.append(f"no second integrator over the quarter hour of the {why}: {reason}")
    return found, lacks


def _stretch(case: BuiltCase, hours: list[Hour], first: int, last: int) -> Stretch:
    """March to a leg from the hour before it, and over the stretch; return what scipy is given."""
    hour = [h for h in hours if h.leg <= first][-1]
    settings = settings_of(case, stop_at_limits=False)
    state, bench = taken_up(case, hour, settings)
    if first > hour.leg:
        part(case, hour, state, bench, settings, hour.leg, first)
    begin, flags = copied(state), bench.work.flags.copy()
    rows = int(bench.past.rows[0])
    run = part(case, hour, state, bench, settings, first, last)
    return Stretch(first, last, begin, run.state, flags, _kept(run)[rows:])
