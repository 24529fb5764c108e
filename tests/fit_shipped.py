"""The profile that ships, made anew from the open set that permits it (MIT licence).

    python tests/fit_shipped.py > profiles/cells/nmc-18650-2600-fitted.toml

needs the open data beside the checkout. The same as
`stillair fit <pulses> <0.5C> <1C> <2C> --ocv <C/20> --like profiles/cells/nmc-18650-energy.toml
--mass-g 46 --air stirred --contact none --ambient-column ambient_from_rest_C`,
and then name, limits and their sources as they stand below. Of the other sets two are share-alike
and the licences of two could not be read: nothing fitted from them ships.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from fit_data import log, logs
from judged_fits import P26

from sim.files.cell_schema import CellProfile
from sim.files.toml import checked, read_toml
from sim.fit.question import Given, fit_cell
from sim.show.fit_files import toml_of

CELLS = Path(__file__).resolve().parents[1] / "profiles" / "cells"
SHIPPED = CELLS / "nmc-18650-2600-fitted.toml"
FITTED = ("R1_pulse_10min_on_20min_rest", "R1_dis_0p5C", "R1_dis_1C", "R1_dis_2C")
HEAD = """\
# 18650, about 2.7 Ah at C/20 (rated 2.6 Ah), fitted by `stillair fit` from open measurements;
# made anew by `python tests/fit_shipped.py`.
#
# Data: L. Wang et al., "AI-Enhanced Digital Twin Modeling of Cell-Level Lithium-Ion Batteries via
# Cross-Task Attention-Based Multi-Task Learning", IEEE Trans. Industrial Informatics (accepted
# 2025); the data set that goes with it is under the MIT licence. Cell R1: C/20, pulses of 10 min,
# 0.5C, 1C and 2C at 25 C in a stirred chamber; the numbers below are ours, no row of it is here.
#
# One new cell. Three runs of random steps up to 6 A that were not fitted: 8 to 10 mV rms above
# 20 % of charge (driven by the measured current and surface temperature), the surface within 1.0 K
# at its peak. Nothing is claimed below 10 %, below 10 C, or of a cell that has aged. Resistance
# over temperature is assumed (23 kJ/mol at 25 C, less where it is warmer), as all tests were at
# 25 C; above 40 C that is bold.
# The chamber's cooling is not in here: no pack has it. Chemistry, size and mass are not in the
# data set and were taken from the class.
"""
OWN = {
    "name": "18650, 2.6 Ah, fitted from open tests",
    "chemistry": "NMC/graphite by its curve; the data set does not say",
}
LIMITS = {"cutoff_V": 2.5, "discharge_A": 5.2, "charge_A": 1.3}
SOURCES = {
    "size": {
        "from": "nominal size less the sleeve, mass typical of the class, from memory",
        "uncertainty": 0.05,
        "guess": True,
    },
    "limits": {
        "from": "voltages and charge as the cell was tested (0.5C, 2.5 to 4.2 V), discharge 2C as "
        "fitted; temperatures common practice, no source",
        "uncertainty": 0.2,
        "guess": True,
    },
}


def content() -> dict[str, Any]:
    """Return the profile's content, fitted now."""
    like_path = CELLS / "nmc-18650-energy.toml"
    like = checked(CellProfile, read_toml(like_path), str(like_path))
    given = Given(like, like_path, OWN["name"], 46.0, "stirred", "none")
    found = fit_cell(logs(P26, *FITTED), log(P26, "R1_ocv_C20"), given).content
    limits = {**found["limits"], **LIMITS}
    return {**found, **OWN, "limits": limits, "sources": {**found["sources"], **SOURCES}}


def main() -> None:
    """Print the profile."""
    print(toml_of(content(), tuple(HEAD.splitlines())), end="")


if __name__ == "__main__":
    main()
