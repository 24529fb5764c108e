"""Three places must bracket the module resolved cell by cell: hottest too hot, coolest too cool.

The truth here is the same model with every cell. What a place leaves out, heat handed from hotter
to cooler neighbours, can only bring cells nearer together (maximum principle of the heat equation).
What it also leaves out is that groups differ in how many of their cells stand at the edge: that
makes a little more heat than the even mix, 0.4 % of the rise in the worst of these modules, so the
bracket is good to 1 % of the rise and no better.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from sim.ask.built_run import settings_of, through
from sim.files.built_case import built_case
from sim.files.case import assemble, read_scenario
from sim.integrate.built_look import PEAK_CORE_K

SCENARIO = Path(__file__).resolve().parents[1] / "scenarios" / "orchard-cart.toml"
MODULE = {"module_heat_capacity_J_K": 60.0, "module_conductance_W_K": 0.8}
HARD = 3.0  # times the day's load, so that the cells themselves make the heat


def peaks_K(model: str, pattern: str, **layout: float) -> np.ndarray:
    """Return every cell's peak core temperature on a hard day, 4s10p in 5 x 8 places."""
    content = read_scenario(SCENARIO)
    content["pack"].update(series=4, parallel=10)
    content["load"]["scale"] = HARD * 40.0 / 224.0
    content["enclosure"].update(
        wall_area_m2=0.5, heat_capacity_J_K=2000, sun_W=0.0, other_heat_W=0.0
    )
    content["limits"]["on_cutoff"] = "record"
    content["layout"] = {"rows": 5, "columns": 8, "pattern": pattern, "model": model, **layout}
    content["cell"]["capacity_Ah"] = 12.0  # enough to last the day
    case = built_case(assemble(content, SCENARIO))
    run, _ = through(case, settings_of(case, keep=False, longest_step_s=20.0))
    return run.book.extremes[PEAK_CORE_K]


@pytest.mark.parametrize("pattern", ["square", "staggered"])
@pytest.mark.parametrize("neighbour_W_K", [0.0, 0.02, 0.2])
def test_three_places_bracket_the_module_cell_by_cell(pattern, neighbour_W_K):
    places = peaks_K("places", pattern, **MODULE)
    every = peaks_K("resolved", pattern, neighbour_W_K=neighbour_W_K, **MODULE)

    rise_K = every.max() - 273.15 - 19.0
    assert places.max() >= every.max() - 0.01 * rise_K
    assert places.min() <= every.min() + 0.01 * rise_K
    # And not so wide that it says nothing.
    assert places.max() - every.max() < 0.15 * rise_K
