"""The map of a module in which places stand for cells: as many cells, each as hot as its kind."""

from __future__ import annotations

import numpy as np
from case_days import as_built, cell, write
from small_day import answer

from sim.show.from_above import from_above

WEAK = {"kind": "weak_group", "group": 2, "resistance_factor": 3.0}
PLACES = {"rows": 3, "columns": 4, "model": "places", "between_share": 0.2}


def test_map_of_places_shows_every_cell_and_a_weak_group_where_it_stands(tmp_path):
    one = cell((3.0, 4.2), 30.0, Ah=10.0, J_K=45.0)
    seen = from_above(
        as_built(tmp_path, one, [(12.0, 1800.0)], pack=(4, 3), layout=PLACES, fault=[WEAK])
    )

    assert seen is not None
    assert seen.row.tolist() == np.repeat([0, 1, 2], 4).tolist()
    assert seen.column.tolist() == [0, 1, 2, 3] * 3
    # Four groups of three along the rows: the second is the fourth cell to the sixth.
    weak = np.isin(np.arange(12), [3, 4, 5])
    assert seen.peak_core_C[weak].min() > seen.peak_core_C[~weak].max() + 1.0
    # The middle two of the second row touch on all sides; the second of them is sound.
    sound = np.where(weak, -np.inf, seen.peak_core_C)
    assert int(sound.argmax()) == 6
    assert np.ptp(seen.peak_core_C[[0, 8, 11]]) == 0.0  # corners


def test_map_is_drawn_of_places_too(tmp_path):
    one = cell((3.0, 4.2), 30.0, Ah=10.0)
    path = write(tmp_path, one, [(12.0, 60.0)], pack=(4, 3), layout=PLACES)
    code, _, complaints = answer("simulate", path, "--out", tmp_path / "out")
    assert (code, complaints) == (0, "")
    assert (tmp_path / "out" / "pack-map.png").stat().st_size > 10_000
