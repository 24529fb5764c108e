"""Plants, loads and weather for tests, as short as a test's point allows.

Nothing is computed here that a test compares with: these only fill records.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from sim.drive.legs import Legs, Load, legs
from sim.drive.weather import Weather
from sim.files.cell_record import cell_record
from sim.files.cell_schema import CellProfile
from sim.integrate import march as compiled_march
from sim.integrate import reference
from sim.physics.box import FREE_AIR, Box
from sim.physics.cell import Cell
from sim.physics.film import Film
from sim.physics.limits import Limits
from sim.physics.pack import CURRENT, Pack
from sim.physics.plant import Plant
from sim.units import ZERO_C_K

# Every test of a march runs on all of these. A new one is added here, in three places.
MARCHERS = (compiled_march.march, reference.march)
MARCHER_IDS = ("march", "scipy")
SETTINGS = {
    compiled_march.march: {
        "shipped": compiled_march.Settings(),
        "careful": compiled_march.Settings(longest_step_s=0.02),
    },
    reference.march: {
        "shipped": reference.Settings(),
        "careful": reference.Settings(relative=1e-11),
    },
}
each_marcher = pytest.mark.parametrize("march", MARCHERS, ids=MARCHER_IDS)

ALONE = Pack(1, 1, 1, 0.0, 0.0)
OPEN_AIR = Box(FREE_AIR, 1.0, 1.0, 0.0, 0.0, 0.0)
NOT_LIMITED = Limits(
    cutoff_V=-np.inf,
    full_V=np.inf,
    reserve_soc=-np.inf,
    core_max_K=np.inf,
    discharge_core_min_K=-np.inf,
    charge_core_max_K=np.inf,
    charge_core_min_K=-np.inf,
    cell_discharge_A=np.inf,
    cell_charge_A=np.inf,
    pack_current_A=np.inf,
    coldest_table_K=-np.inf,
)


def profile(**over) -> dict:
    """Return a cell profile's content (as TOML gives it), with the given top-level keys replaced.

    3 Ah, 3.0 + 1.2 s volt, 25 mohm, one pair of 15 mohm and 30 s, one lumped node of 45 J/K.
    """
    content = {
        "name": "textbook",
        "chemistry": "none",
        "capacity_Ah": 3.0,
        "size": {"diameter_mm": 18.4, "height_mm": 65.0, "mass_g": 47.0},
        "open_circuit": {"soc": [0.0, 1.0], "voltage_V": [3.0, 4.2]},
        "resistance": {"discharge_mohm": 25.0},
        "polarisation": [{"resistance_mohm": 15.0, "time_constant_s": 30.0}],
        "heat": {"core_J_K": 40.5, "surface_J_K": 4.5, "core_to_surface_K_W": 0.0},
        "limits": {
            "full_V": 4.2,
            "cutoff_V": 2.5,
            "discharge_A": 10.0,
            "charge_A": 3.0,
            "discharge_core_min_C": -20.0,
            "discharge_core_max_C": 60.0,
            "charge_core_min_C": 0.0,
            "charge_core_max_C": 45.0,
        },
    }
    return {**content, **over}


def cell(**over) -> Cell:
    """Return the compiled code's record of `profile(**over)`."""
    return cell_record(CellProfile.model_validate(profile(**over)))


def plant(
    one: Cell | None = None,
    *,
    pack: Pack = ALONE,
    conductance_W_K: float = 0.045,
    film: Film | None = None,
    box: Box = OPEN_AIR,
) -> Plant:
    """Return a plant about one cell, with a fixed conductance to air unless a film is given."""
    fixed = Film(3.757e-3, 0.0184, 0.065, False, 0.8, conductance_W_K)
    return Plant(cell() if one is None else one, pack, fixed if film is None else film, box)


def held(
    edges_s, values, *, kind: int = CURRENT, ambient_C: float = 25.0, sun_W: float = 0.0, looks_s=()
) -> Legs:
    """Return legs of a load of all packs that holds `values[i]` from `edges_s[i]` to the next edge.

    The weather stands still; a trace keeps a state at each of `looks_s` too.
    """
    edge_s = np.array(edges_s, dtype=float)
    value = np.array(values, dtype=float)
    knots_s = np.union1d([0.0, edge_s[-1]], looks_s)
    air_K = np.full(len(knots_s), ambient_C + ZERO_C_K)
    weather = Weather(knots_s, air_K, np.full(len(knots_s), sun_W))
    return legs(Load(kind, edge_s, value, np.arange(len(value))), weather)


def settings(march, how: str = "shipped", **over) -> Any:
    """Return a marcher's settings: "shipped", or so "careful" that what is left is the model's."""
    return replace(SETTINGS[march][how], **over)
