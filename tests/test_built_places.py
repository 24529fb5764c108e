"""Three places must bracket the module resolved cell by cell: hottest too hot, coolest too cool.

The truth here is the same model with every cell. What a place leaves out, heat handed from hotter
to cooler neighbours, can only bring cells nearer together (maximum principle of the heat equation).
Groups differ in how many of their cells stand at the edge, so that places are marched in groups of
one kind each, which make the most heat, and in the two groups in which one of an end has all of the
other end about it. With the even mix of places in every group the hottest cell of the second test
was 0.4 to 0.6 K hotter than the hottest place, 1.5 % of its rise.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from case_days import cell, write

from sim.ask.built_places import bracket
from sim.ask.built_run import settings_of, through
from sim.files.built_case import built_case
from sim.files.case import assemble, read_case, read_scenario
from sim.integrate.built_look import PEAK_CORE_K

SCENARIO = Path(__file__).resolve().parents[1] / "scenarios" / "orchard-cart.toml"
MODULE = {"module_heat_capacity_J_K": 60.0, "module_conductance_W_K": 0.8}
SHARE = 1e-3  # of the rise: where edges are of several kinds, their mean speaks for them
ROUNDING_K = 2e-3  # of the film's table and of steps
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
    assert places.max() >= every.max() - ROUNDING_K
    assert places.min() <= every.min() + SHARE * rise_K
    # And not so wide that it says nothing.
    assert places.max() - every.max() < 0.15 * rise_K


# Without heat from cell to cell, in frost, with resistance that falls steeply with warmth.
STEEP = cell(
    (3.0, 4.2),
    {
        "soc": [0.0, 1.0],
        "temperature_C": [-20.0, 0.0, 25.0, 45.0],
        "discharge_mohm": [[150.0, 70.0, 32.0, 24.0]] * 2,
    },
    Ah=3.0, J_K=46.5, discharge_core_max_C=140.0,
)  # fmt: skip


@pytest.mark.parametrize("pattern", ["square", "staggered"])
@pytest.mark.parametrize("between_share", [0.0, 0.5])
@pytest.mark.parametrize("shape", [(24, 2, 2), (12, 2, 3), (9, 4, 6)])
def test_three_places_bracket_groups_that_stand_unlike(tmp_path, shape, between_share, pattern):
    series, parallel, rows = shape
    layout = {
        "rows": rows, "columns": series * parallel // rows, "pattern": pattern,
        "between_share": between_share, **MODULE,
    }  # fmt: skip
    path = write(
        tmp_path, STEEP, [(4.0 * parallel, 2200.0)], pack=(series, parallel, 1), air_C=-10.0,
        cooling={"conductance_W_K": 0.06}, layout=layout,
    )  # fmt: skip
    case = built_case(read_case(path))
    run, _ = through(case, settings_of(case, keep=False, longest_step_s=10.0))
    found = bracket(case, run)

    assert found is not None
    assert found.above_K >= -ROUNDING_K
    assert found.below_K >= -SHARE * (found.hottest_C + 10.0)
    assert found.above_K < 0.15 * (found.hottest_C + 10.0)
