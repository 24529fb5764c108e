"""Weather in straight lines: what follows it lags by heat capacities alone, whatever the step.

The closed form: where the ambient climbs by s and the sun by w, all that hangs on them through a
conductance G climbs by r = s + w/G in the end, and each conductance has to carry the heat that what
lies behind it takes up, C r. One node alone: T = ambient - r C/G. That is a polynomial of first
degree, which a rule of first order or more must hit to rounding at any step.
"""

from __future__ import annotations

import built as b
import numpy as np
import plants
import pytest

from sim.integrate import march as lumped
from sim.integrate import reference
from sim.judge.series import totals
from sim.physics.box import AIR_AND_WALL, AIR_NODE, FREE_AIR, Box
from sim.physics.built import CORE as CELL_CORE
from sim.physics.built import SUN, TO_OUTSIDE
from sim.physics.plant import BOX, CORE, SURFACE, WALL, at_rest

AIR_K = 298.15
FILM_W_K = 0.045
SLOPE_K_S, MORE_W_S = 5e-4, 2e-5  # 2 K/h; the march ends at 150 C
BOXES = {
    "free air": plants.OPEN_AIR,
    "air": Box(AIR_NODE, 0.02, 1.0, 0.0, 1.5, 0.0),
    "air and wall": Box(AIR_AND_WALL, 0.01, 0.03, 2.0, 3.0, 0.0),
}
each_box = pytest.mark.parametrize("box", BOXES)
# Time constants of the cell alone: far below the step of 60 s, near it, and far above.
each_pace = pytest.mark.parametrize("cell_J_K", [0.02, 2.0, 45.0])


def ramped(end_s, current_A=0.0, sun_W=2.0):
    """Return legs in which the ambient climbs, the sun too."""
    legs = plants.held([0.0, end_s], [current_A], sun_W=sun_W)
    return legs._replace(ambient_K_s=np.array([SLOPE_K_S]), sun_W_s=np.array([MORE_W_S]))


def cell(cell_J_K, **heat):
    split = {"core_J_K": 0.9 * cell_J_K, "surface_J_K": 0.1 * cell_J_K}
    return plants.cell(polarisation=[], heat={"core_to_surface_K_W": 0.0, **split, **heat})


def lags_K(box, behind_J_K, time_s, sun_W=2.0):
    """Return ambient, box air and wall [K], with `behind_J_K` behind the air; and their climb."""
    ambient_K, climb_K_s = AIR_K + SLOPE_K_S * time_s, SLOPE_K_S
    if box.kind == FREE_AIR:
        return ambient_K, ambient_K, ambient_K, climb_K_s
    climb_K_s += MORE_W_S / box.outside_W_K
    skin_K = ambient_K + (sun_W + MORE_W_S * time_s) / box.outside_W_K
    if box.kind == AIR_NODE:
        air_K = skin_K - climb_K_s * (box.air_J_K + behind_J_K) / box.outside_W_K
        return ambient_K, air_K, ambient_K, climb_K_s
    wall_J_K = box.wall_J_K + box.air_J_K + behind_J_K
    wall_K = skin_K - climb_K_s * wall_J_K / box.outside_W_K
    air_K = wall_K - climb_K_s * (box.air_J_K + behind_J_K) / box.inside_W_K
    return ambient_K, air_K, wall_K, climb_K_s


@each_box
@each_pace
def test_a_cell_lags_a_ramp_by_its_time_constant_at_any_step(box, cell_J_K):
    plant = plants.plant(cell(cell_J_K), conductance_W_K=FILM_W_K, box=BOXES[box])
    start = at_rest(plant, 0.6, AIR_K, AIR_K)
    end_s = 72_000.0  # 72 of the slowest time constants

    trace = lumped.march(
        plant, plants.NOT_LIMITED, ramped(end_s), start, lumped.Settings(longest_step_s=60.0)
    )

    _, air_K, wall_K, climb_K_s = lags_K(BOXES[box], cell_J_K, end_s)
    end = trace.state[-1]
    # 1e-8 K: rounding of 450 K over 1200 steps.
    assert end[CORE] == pytest.approx(air_K - climb_K_s * cell_J_K / FILM_W_K, abs=1e-8)
    if box != "free air":
        assert end[BOX] == pytest.approx(air_K, abs=1e-8)
    if box == "air and wall":
        assert end[WALL] == pytest.approx(wall_K, abs=1e-8)


@each_box
@each_pace
@pytest.mark.parametrize("module_J_K", [0.0, 0.03, 40.0])
def test_a_pack_as_built_lags_a_ramp_by_its_time_constants_at_any_step(box, cell_J_K, module_J_K):
    module_W_K = 0.8
    group = b.group(inward=1.0, outward=0.0) if module_J_K else b.group()
    pack = b.pack(group, module_J_K=module_J_K, module_W_K=module_W_K if module_J_K else 0.0)
    one = b.built(pack, cell=cell(cell_J_K), box=BOXES[box])
    end_s = 72_000.0

    run = b.go(one, ramped(end_s), step_s=60.0)

    behind_J_K = cell_J_K + module_J_K
    _, air_K, wall_K, climb_K_s = lags_K(BOXES[box], behind_J_K, end_s)
    module_K = air_K - (climb_K_s * behind_J_K / module_W_K if module_J_K else 0.0)
    airs_K = run.state.airs_K
    core_K = run.state.cells[CELL_CORE, 0]
    assert core_K == pytest.approx(module_K - climb_K_s * cell_J_K / FILM_W_K, abs=1e-8)
    assert airs_K[0] == pytest.approx(module_K, abs=1e-8)
    assert airs_K[1] == pytest.approx(air_K, abs=1e-8)
    if box == "air and wall":
        assert airs_K[2] == pytest.approx(wall_K, abs=1e-8)


@each_box
@pytest.mark.parametrize("surface_J_K", [1e-3, 5.0])
def test_a_ramp_costs_no_order(box, surface_J_K):
    # scipy holds the truth; 16 times less at a quarter of the step, within a fifth.
    thick = {"core_J_K": 40.0, "surface_J_K": surface_J_K, "core_to_surface_K_W": 2.0}
    plant = plants.plant(cell(45.0, **thick), conductance_W_K=FILM_W_K, box=BOXES[box])
    start = at_rest(plant, 0.6, AIR_K, AIR_K)
    start[[CORE, SURFACE]] += 20.0
    legs = ramped(600.0, current_A=4.0)
    args = plant, plants.NOT_LIMITED, legs, start
    truth = reference.march(*args, reference.Settings(relative=1e-12)).state[-1]

    off_K = [
        abs(lumped.march(*args, lumped.Settings(longest_step_s=step_s)).state[-1] - truth)[CORE]
        for step_s in (60.0, 15.0)
    ]

    assert off_K[0] / off_K[1] == pytest.approx(16.0, rel=0.2)


@each_box
@each_pace
def test_heat_is_accounted_for_along_a_ramp(box, cell_J_K):
    # Nothing makes heat but the sun: all else that is kept has come from outside.
    kind = BOXES[box]
    plant = plants.plant(cell(cell_J_K), conductance_W_K=FILM_W_K, box=kind)
    one = b.built(b.pack(b.group()), cell=cell(cell_J_K), box=kind)
    start, legs = at_rest(plant, 0.6, AIR_K, AIR_K), ramped(3600.0)

    trace = lumped.march(
        plant, plants.NOT_LIMITED, legs, start, lumped.Settings(longest_step_s=60.0)
    )
    run = b.go(one, legs, step_s=60.0)

    sun_J = 0.0 if box == "free air" else 2.0 * 3600.0 + 0.5 * MORE_W_S * 3600.0**2
    end, airs_K = trace.state[-1], run.state.airs_K
    held = [(cell_J_K, end[CORE], run.state.cells[CELL_CORE, 0])]
    if box != "free air":
        held.append((kind.air_J_K, end[BOX], airs_K[1]))
    if box == "air and wall":
        held.append((kind.wall_J_K, end[WALL], airs_K[2]))
    lumped_J, built_J = (sum(c * (row[k] - AIR_K) for c, *row in held) for k in (0, 1))
    found = totals(trace)
    assert sun_J - found["to_outside_J"] == pytest.approx(lumped_J, rel=1e-9, abs=1e-9)
    sums = run.state.box_sums
    assert sums[SUN] == pytest.approx(sun_J, rel=1e-12)
    assert sums[SUN] - sums[TO_OUTSIDE] == pytest.approx(built_J, rel=1e-9, abs=1e-9)
