"""The summary of a whole run, of identical cells or of packs as built."""

from __future__ import annotations

from typing import Any

from sim.ask.built import BuiltResult
from sim.ask.whole import Whole
from sim.show.built_summary import built_summary
from sim.show.summary import summary


def whole_summary(run: Whole) -> dict[str, Any]:
    """Return the summary that `simulate` leaves of such a run."""
    return built_summary(run) if isinstance(run, BuiltResult) else summary(run)
