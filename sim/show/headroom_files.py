"""What `headroom` leaves: summary.json and a picture."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from sim import __version__
from sim.ask.headroom import Headroom, Knob
from sim.ask.whole import assumptions_of
from sim.files.case import guesses
from sim.show.folder import written_whole
from sim.show.headroom_words import answer, as_built
from sim.show.sentences import CAUTION
from sim.show.summary import inputs
from sim.show.sweep_files import MARGINS_ARE
from sim.show.sweep_words import event_of
from sim.show.whole import whole_summary

UNTIL_RESERVE = (
    "greatest constant discharge current of one pack from the charge at the start to {end}, begun "
    "when that heats the cells most, with the day at the earliest, and ended with it at the latest"
)
LOADS, REPEATED = "loads without charging", {"days": "days, as the scenario charges between them"}
WHOLE_DAY = "greatest constant discharge current of one pack from the start of the day to its end"


def summary_of(found: Headroom) -> dict[str, Any]:
    """Return the summary: a knob a key, and how the day as it is was checked."""
    case, whole = found.base.case, whole_summary(found.run)
    limits = case.scenario.limits
    end = "the reserve" if limits.reserve_percent > 0.0 else "cut-off"
    return {
        "stillair": __version__,
        "command": "headroom",
        "title": case.scenario.title,
        "scenario": case.path.name,
        "digest": case.digest,
        "verdict": {"passed": found.run.passed, "sentence": answer(found)},
        "load_scale": _knob(found.load_scale),
        "ambient_shift_K": {**_knob(found.ambient_shift_K), "colder": _colder(found.colder_K)},
        "pack_current_A": {
            **_knob(found.until_reserve_A),
            "today": limits.pack_current_max_A,
            "peak_today": found.peak_A,
            "lowest_limit_that_leaves_today_alone": found.peak_A,
            "greatest_is": UNTIL_RESERVE.format(end=end),
            "greatest_begins_s": found.begins_s,
            "whole_day": {**_knob(found.whole_day_A), "greatest_is": WHOLE_DAY},
            "controller": _both(found, "controller_A", "controller_least_A"),
        },
        "repeats": {
            **_knob(found.repeats),
            "of": REPEATED.get(found.repeats.name, LOADS),
            "alike_from_day": found.repeats.alike_from,
        },
        "charge_current_A": _both(found, "charge_A", "charge_least_A"),
        "at_bad_end": {name: _knob(knob) for name, knob in found.at_bad_end.items()} or None,
        "margins_are": MARGINS_ARE,
        "today": whole["verdict"],
        "limits": whole["limits"],
        "bad_end": whole["bad_end"],
        "one_pack_out": whole["one_pack_out"],
        "audit": whole["audit"],
        "guesses": guesses(case),
        "assumptions": assumptions_of(case),
        "notes": [*as_built(found), *case.notes],
        "inputs": inputs(case),
        "caution": CAUTION,
    }


def _knob(knob: Knob) -> dict[str, Any]:
    return {
        "today": knob.today,
        "passes_today": None if knob.today is None else knob.passes_today,
        "greatest": knob.greatest,
        "limit": knob.limit,
        "event": None if knob.limit is None else event_of(knob.limit),
        "searched_to": knob.searched_to,
        "note": knob.note,
    }


def _both(found: Headroom, upwards: str, downwards: str) -> dict[str, Any] | None:
    """Return a knob with how far it goes the other way; None where there is nothing to turn."""
    if upwards not in found.more:
        return None
    return {**_knob(found.more[upwards]), "lower": _colder(found.more[downwards])}


def _colder(knob: Knob) -> dict[str, Any] | None:
    """Return the least value that still passes; None where the day fails as it is."""
    if not knob.passes_today:
        return None
    content = _knob(knob)
    return {"least": content.pop("greatest"), **content}


def write_headroom(
    found: Headroom, folder: Path, *, plots: bool, suffix: str = "png"
) -> dict[str, Any]:
    """Write the whole result into `folder`, or leave it as it was, and return the summary.

    The picture's `suffix` is its format. Raises OutputError.
    """
    content = summary_of(found)
    with written_whole(folder) as fresh:
        text = json.dumps(content, indent=2, allow_nan=False, ensure_ascii=False)
        (fresh / "summary.json").write_text(text + "\n", "utf-8", errors="backslashreplace")
        if plots:
            from sim.show.headroom_plots import picture

            picture(found, fresh / f"headroom.{suffix}")
    return content
