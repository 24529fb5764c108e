"""What `wiring` leaves: conductors.csv, summary.json and a picture."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

from sim import __version__
from sim.ask.whole import assumptions_of
from sim.ask.wires import WINDOWS_S, Conductor, lasting_limit_A
from sim.ask.wiring import Wiring
from sim.ask.wiring_checks import Check, least
from sim.files.case import guesses
from sim.show.folder import written_whole
from sim.show.sentences import CAUTION
from sim.show.summary import inputs
from sim.show.whole import whole_summary
from sim.show.wiring_more import GUARDS, assumptions
from sim.show.wiring_words import answer, sentence
from sim.units import clock_text

WINDOW_NAMES = {**{w: f"rms_{w:.0f}_s_A" for w in WINDOWS_S}, 0.0: "rms_run_A"}


def row_of(found: Wiring, c: Conductor) -> dict[str, Any]:
    """Return one conductor as a row; None where it can't be known."""
    shorts = {w.conductor.table.name: w for w in found.withstands}
    w = shorts.get(c.table.name)
    clock_s = found.run.case.start_clock_s
    hottest_s = c.hottest_s
    return {
        "name": c.table.name,
        "answer": c.answer,
        "carries": c.table.carries,
        "count": c.table.count,
        "where": c.table.where,
        "material": c.table.material,
        "area_mm2": c.area_mm2,
        "mohm": c.mohm,
        "peak_A": c.peak_A,
        **{name: c.rms_A.get(window) for window, name in WINDOW_NAMES.items()},
        "bears_A": _finite(lasting_limit_A(c)),
        "volt": c.volt,
        "watt": c.watt,
        "all_volt": c.all_volt,
        "all_watt": c.all_watt,
        "energy_Wh": c.energy_Wh,
        "air_C": c.air_C,
        "lasting_C": _finite(c.steady_C),
        "hottest_C": c.hottest_C,
        "hottest_clock": None if hottest_s is None else clock_text(clock_s + hottest_s),
        "hot_end_C": c.hot_end_C,
        "cool_end_C": c.cool_end_C,
        "limit_C": c.limit_C,
        "margin_K": c.margin_K,
        "short_A": None if w is None else w.current_A,
        "short_clear_s": None if w is None else _finite(w.clear_s),
        "short_end_C": None if w is None else _finite(w.end_C),
        "short_limit_C": None if w is None else w.limit_C,
        "short_answer": None if w is None else w.answer,
    }


def _finite(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else float(value)


def check_of(found: Wiring, check: Check) -> dict[str, Any]:
    """Return one check with its sentence."""
    return {
        "kind": check.kind,
        "element": check.element,
        "one_pack_out": check.one_out,
        "answer": check.answer,
        "value": _finite(check.value),
        "limit": _finite(check.limit),
        "margin": _finite(check.margin),
        "unit": check.unit,
        "used": _finite(check.used),
        "sentence": sentence(found, check),
    }


def summary_of(found: Wiring) -> dict[str, Any]:
    """Return the summary: all checks, all conductors, shorts and links."""
    case, whole, could = found.run.case, whole_summary(found.run), found.prospective
    return {
        "stillair": __version__,
        "command": "wiring",
        "title": case.scenario.title,
        "scenario": case.path.name,
        "digest": case.digest,
        "verdict": {
            "passed": found.passed,
            "answer": found.answer,
            "sentence": answer(found),
            "least_room": None if found.tightest is None else check_of(found, found.tightest),
        },
        "checks": [check_of(found, check) for check in found.checks],
        "conductors": [row_of(found, c) for c in found.conductors],
        "current": {
            "peak_A": found.peak_A,
            **{name: found.rms_A.get(window) for window, name in WINDOW_NAMES.items()},
        },
        "lasting_limits_A": found.limits_A,
        "least_limit": _least(found),
        "short_circuit": {
            "greatest_A": could.greatest_A,
            "greatest_ohm": could.greatest_ohm,
            "least_A": could.least_A,
            "least_ohm": could.least_ohm,
            "full_V": could.full_V,
        },
        "links": [_link(link) for link in found.links],
        "one_cell_lost": None if found.lost is None else _all_finite(vars(found.lost)),
        "one_pack_out": None
        if found.one_out is None
        else [row_of(found, c) for c in found.one_out_conductors],
        "legs": list(found.legs),
        "box_rise_K": found.box_rise_K,
        "fuse_guards": GUARDS,
        "today": whole["verdict"],
        "audit": whole["audit"],
        "guesses": guesses(case),
        "assumptions": [*assumptions_of(case), *assumptions(found)],
        "notes": [*case.notes, *found.notes],
        "inputs": inputs(case),
        "caution": CAUTION,
    }


def _least(found: Wiring) -> dict[str, Any] | None:
    mine = least(found.limits_A)
    return None if mine is None else {"element": mine[0], "pack_A": mine[1]}


def _link(link: Any) -> dict[str, Any]:
    content = _all_finite({k: v for k, v in vars(link).items() if k != "conductor"})
    return {"name": link.conductor.table.name, **content}


def _all_finite(content: dict[str, Any]) -> dict[str, Any]:
    return {
        key: _finite(value) if isinstance(value, float) else value for key, value in content.items()
    }


def write_wiring(
    found: Wiring, folder: Path, *, plots: bool, suffix: str = "png"
) -> dict[str, Any]:
    """Write the whole result into `folder`, or leave it as it was, and return the summary.

    The picture's `suffix` is its format. Raises OutputError.
    """
    import pandas as pd

    content = summary_of(found)
    with written_whole(folder) as fresh:
        frame = pd.DataFrame(content["conductors"])
        frame.to_csv(fresh / "conductors.csv", index=False, float_format="{:z.6g}".format)
        text = json.dumps(content, indent=2, allow_nan=False, ensure_ascii=False)
        (fresh / "summary.json").write_text(text + "\n", "utf-8", errors="backslashreplace")
        if plots:
            from sim.show.wiring_plots import picture

            picture(found, fresh / f"wiring.{suffix}")
    return content
