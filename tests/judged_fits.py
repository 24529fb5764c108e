"""Cells of the open sets, each fitted on some logs and judged on others; and a table of both.

    python tests/judged_fits.py         # a minute or two; needs the open data beside the checkout

prints the table that README.md shows: asked and reached of voltage and heat, and whether the
stated interval covers the measured peak. No judged log is in its fit; methods, priors and weights
are one set of constants for all cells. The sets are named in tests/test_fit_voltage_open_data.py;
nothing of them is copied.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache
from typing import NamedTuple

import numpy as np
from fit_data import log, logs

from sim.files.cell_schema import Size
from sim.fit.electrical import ElectricalFit, fit_electrical, predict
from sim.fit.heat import (
    HeatFit,
    HeatOptions,
    Interval,
    fit_heat,
    interval,
    predict_surface,
    refit_contact,
)
from sim.fit.heat_both import fit_both, model_voltage, table_of
from sim.fit.log import Log

ROOM, P26, P29 = "room_18650_3Ah", "chamber_18650_2p6Ah", "chamber_18650_2p9Ah"
LFP = "chamber_26650_lfp"
# Masses are of the class: none of the sets gives one (47 and 46 g, 80 g; from memory).
STILL = HeatOptions(Size(diameter_mm=18.4, height_mm=65.0, mass_g=47.0))
CHAMBER = HeatOptions(
    Size(diameter_mm=18.4, height_mm=65.0, mass_g=46.0), cooling="stirred", contact="none"
)
IRON_CHAMBER = replace(CHAMBER, size=Size(diameter_mm=26.0, height_mm=65.0, mass_g=80.0))
LIMIT_C = 60.0


# ---- voltage, driven by the measured current


class Basis(NamedTuple):
    """What a fit is given, and how a table says so."""

    data: str
    fitted: tuple[str, ...]
    slow: str | None
    said: str


COLD = ("hppc_25C", "hppc_0C", "hppc_m10C")
PULSES_AND_1C = Basis(
    P29,
    (*COLD, "dis_1C_25C_test1"),
    "c20_discharge_charge_25C",
    "C/20, pulses at 25, 0, -10 C, 1C",
)
DRIVE_ALONE = Basis(P29, ("drive_HWFET_25C",), "c20_discharge_charge_25C", "C/20, HWFET")
PULSES_ALONE = Basis(P29, COLD, "c20_discharge_charge_25C", "C/20, pulses")
CELL_26 = Basis(
    P26, ("R1_pulse_10min_on_20min_rest", "R1_dis_1C"), "R1_ocv_C20", "C/20, pulses, 1C"
)
IRON = Basis(LFP, ("cell001_hppc_20C", "cell001_dis_1C_20C"), None, "pulses and 1C at 20 C")

# Basis, judged file, judged above this charge, rms asked [mV].
VOLTAGE = [
    (PULSES_AND_1C, "drive_US06_25C", 0.10, 18.0),
    (PULSES_AND_1C, "drive_HWFET_25C", 0.10, 8.0),
    (DRIVE_ALONE, "drive_US06_25C", 0.10, 16.0),
    (PULSES_ALONE, "drive_US06_25C", 0.10, 30.0),
    (CELL_26, "R1_dis_0p5C", 0.20, 5.0),
    (CELL_26, "R1_dis_2C", 0.20, 16.0),
    (CELL_26, "R1_random_01", 0.20, 15.0),
    (CELL_26, "R1_random_11", 0.20, 15.0),
    (CELL_26, "R1_random_26", 0.20, 15.0),
    (IRON, "cell001_dis_1C_40C", 0.10, 25.0),
]


@cache
def fitted(basis: Basis) -> ElectricalFit:
    """Return the voltage fit of a basis."""
    slow = None if basis.slow is None else log(basis.data, basis.slow)
    return fit_electrical(logs(basis.data, *basis.fitted), slow)


def rms_mV(off_V) -> float:
    """Return the root of the mean square, in mV."""
    return float(1e3 * np.sqrt(np.mean(np.square(off_V))))


# ---- heat, by measured voltage or the model's own


@cache
def room(cell: str = "S001", rates: tuple[str, ...] = ("1C", "2C")) -> tuple:
    """Return voltage and heat of a cell in room air from C/10 and two rates."""
    known = logs(ROOM, *(f"{cell}_dis_{rate}" for rate in rates))
    return fit_both(known, known, STILL, log(ROOM, f"{cell}_dis_C10"))


@cache
def sister() -> HeatFit:
    """Return S002: its own contact and charge from its own 2C, all else of S001."""
    own = fit_electrical(logs(ROOM, "S002_dis_2C"), log(ROOM, "S002_dis_C10"))
    return refit_contact(room()[1], logs(ROOM, "S002_dis_2C"), table_of(own))


@cache
def small() -> HeatFit:
    """Return heat from 1C alone; the curve from C/20, pulses and 1C."""
    return fit_heat(logs(P26, "R1_dis_1C"), table_of(fitted(CELL_26)), CHAMBER)


@cache
def driven() -> HeatFit:
    """Return heat from 1C and US06; the curve from C/20, 1C and pulses."""
    voltage = logs(P29, "dis_1C_25C_test1", "hppc_25C")
    own = fit_electrical(voltage, log(P29, "c20_discharge_charge_25C"))
    return fit_heat(logs(P29, "dis_1C_25C_test1", "drive_US06_25C"), table_of(own), CHAMBER)


@cache
def iron() -> HeatFit:
    """Return heat from 1C at 20 C; the curve from it and the rests of the pulse test."""
    own = fit_electrical(logs(LFP, "cell001_dis_1C_20C", "cell001_hppc_20C"))
    return fit_heat(logs(LFP, "cell001_dis_1C_20C"), table_of(own), IRON_CHAMBER)


def room_heat() -> HeatFit:
    """Return heat of S001."""
    return room()[1]


class Heat(NamedTuple):
    """A judged record of heat: what fitted it, and the peak and rms asked [K]."""

    cell: str
    fitted: str
    fit: Callable[[], HeatFit]
    data: str
    name: str
    worst_K: float
    rms_K: float
    own_voltage: bool = False


_ROOM, _OWN = "3.0 Ah, room air", "the same, the model's own voltage"
_SISTER, _SMALL = "its sister, own contact from own 2C", "2.6 Ah, chamber"
HEAT = [
    Heat(_ROOM, "1C, 2C", room_heat, ROOM, "S001_dis_3C", 1.0, 0.5),
    Heat(_ROOM, "1C, 2C", room_heat, ROOM, "S001_dis_4C", 1.5, 0.8),
    Heat(_OWN, "1C, 2C", room_heat, ROOM, "S001_dis_3C", 2.0, 1.0, True),
    Heat(_OWN, "1C, 2C", room_heat, ROOM, "S001_dis_4C", 4.5, 2.5, True),
    Heat(_SISTER, "2C", sister, ROOM, "S002_dis_1C", 1.5, 0.8),
    Heat(_SISTER, "2C", sister, ROOM, "S002_dis_3C", 1.5, 0.8),
    Heat(_SISTER, "2C", sister, ROOM, "S002_dis_4C", 1.5, 0.8),
    Heat(_SMALL, "1C", small, P26, "R1_dis_0p5C", 0.5, 0.2),
    Heat(_SMALL, "1C", small, P26, "R1_dis_2C", 0.8, 0.35),
    Heat(_SMALL, "1C", small, P26, "R1_random_01", 1.5, 0.5),
    Heat(_SMALL, "1C", small, P26, "R1_random_11", 1.5, 0.5),
    Heat(_SMALL, "1C", small, P26, "R1_random_26", 1.5, 0.5),
    Heat("2.9 Ah, chamber", "1C, US06", driven, P29, "drive_HWFET_25C", 0.6, 0.25),
    Heat("iron phosphate, chamber", "1C at 20 C", iron, LFP, "cell001_dis_1C_40C", 0.5, 0.35),
]


class Judged(NamedTuple):
    """How far a prediction is off, and what the tool says of it."""

    worst_K: float
    rms_K: float
    measured_peak_C: float
    said: Interval

    @property
    def covered(self) -> bool:
        """Whether the stated interval holds the measured peak."""
        return self.said.low_C <= self.measured_peak_C <= self.said.high_C


def judged(fit: HeatFit, seen: Log, voltage=None) -> Judged:
    """Judge a log against its prediction: the greatest difference at any time, and the rms."""
    found = predict_surface(fit, seen, voltage)
    measured_C = seen.surface_C[: len(found.time_s)]
    off_K = found.surface_C - measured_C
    spans_s = np.gradient(found.time_s)
    rms_K = float(np.sqrt(np.average(off_K**2, weights=spans_s)))
    said = interval(fit, seen, voltage, limit_C=LIMIT_C)
    return Judged(float(np.max(np.abs(off_K))), rms_K, float(np.max(measured_C)), said)


def judged_heat(case: Heat) -> Judged:
    """Judge one line of `HEAT`."""
    seen = log(case.data, case.name)
    return judged(case.fit(), seen, model_voltage(*room(), seen) if case.own_voltage else None)


# ---- the table


def main() -> None:
    """Print both tables as README.md shows them."""
    print("| voltage of | fitted on | judged on | above | asked mV rms | reached |")
    print("| --- | --- | --- | --- | --- | --- |")
    for basis, name, above, most_mV in VOLTAGE:
        measured, fit = log(basis.data, name), fitted(basis)
        soc, volt = predict(fit, measured, 1.0)
        seen = (soc > above) & np.isfinite(measured.voltage_V)
        off_mV = rms_mV(volt[seen] - measured.voltage_V[seen])
        cell = {P29: "2.9 Ah", P26: "2.6 Ah", LFP: "iron phosphate 2.6 Ah"}[basis.data]
        warned = "" if fit.trust.sustained else " (and the warning)"
        print(
            f"| {cell} | {basis.said} | {name}{warned} | {100 * above:.0f} % | {most_mV:g} "
            f"| {off_mV:.1f}{_missed(off_mV > most_mV)} |"
        )
    print()
    print("| heat of | fitted on | judged on | asked K | reached | said | measured |")
    print("| --- | --- | --- | --- | --- | --- | --- |")
    for case in HEAT:
        found = judged_heat(case)
        missed = found.worst_K > case.worst_K or found.rms_K > case.rms_K
        said = found.said
        covers = "" if found.covered else " **outside**"
        print(
            f"| {case.cell} | {case.fitted} | {case.name} | {case.worst_K:g} / {case.rms_K:g} "
            f"| {found.worst_K:.2f} / {found.rms_K:.2f}{_missed(missed)} "
            f"| {said.verdict}: {said.low_C:.1f} to {said.high_C:.1f} C "
            f"| {found.measured_peak_C:.1f} C{covers} |"
        )


def _missed(missed: bool) -> str:
    return " **missed**" if missed else ""


if __name__ == "__main__":
    main()
