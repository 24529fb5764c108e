"""The heat fit on made-up logs: it finds what they were made with, and refuses what it can't."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import plants
import pytest
from heat_logs import FILM, OCV, SIZE, ENTROPIC_mV_K, Truth, made
from scipy.linalg import expm

from sim.errors import InputError
from sim.files.cell_schema import CellProfile
from sim.fit.curve import CURVE_SOC
from sim.fit.electrical import predict
from sim.fit.heat import HeatOptions, fit_heat, interval, predict_surface, refit_contact
from sim.fit.heat_both import fit_both, model_voltage
from sim.fit.heat_data import KNOTS
from sim.fit.heat_march import two_nodes
from sim.fit.heat_predict import inner_log, own_voltage
from sim.fit.heat_profile import advice, into_profile
from sim.physics.film import tabled
from sim.show.fit_heat_plots import picture
from sim.show.fit_heat_words import answer, lines

TRUTH = Truth()
STILL = HeatOptions(SIZE)
# A standard error is of a linear fit with Gaussian errors, and 14 parameters are looked at.
MOST_SDS = 2.5


@cache
def one_c():
    """3 A from full to 3 %."""
    return made(TRUTH, 3.0, name="1C.csv")


@cache
def two_c():
    """6 A from full to 3 %."""
    return made(TRUTH, 6.0, seed=1, name="2C.csv")


@cache
def both():
    """The fit to the two."""
    return fit_heat([one_c(), two_c()], OCV, STILL)


def pulsed(truth=TRUTH, **more):
    """A log with steps: 9 A for a minute, half a minute of rest, and so on."""
    return made(truth, np.tile([9.0] * 6 + [0.0] * 3, 20), name="pulses.csv", **more)


# ---- the simulation


def test_two_nodes_follow_the_matrix_exponential():
    # C dT/dt = q - K T under constant q and conductance is linear: T = exp(-C^-1 K t) and so on.
    core_J_K, surface_J_K, across_W_K, air_W_K, heat_W, air_K = 40.0, 5.0, 0.5, 0.15, 2.0, 300.0
    film = FILM._replace(fixed_W_K=1.0)
    time_s = np.arange(0.0, 1201.0, 60.0)
    n = len(time_s)
    core_K, surface_K = np.empty(n), np.empty(n)

    two_nodes(
        time_s, np.full(n - 1, heat_W), np.full(n, air_K), 310.0,
        core_J_K, surface_J_K, across_W_K, film, air_W_K, core_K, surface_K,
    )  # fmt: skip

    system = np.array(
        [
            [-across_W_K / core_J_K, across_W_K / core_J_K, heat_W / core_J_K],
            [across_W_K / surface_J_K, -(across_W_K + air_W_K) / surface_J_K, 0.0],
            [0.0, 0.0, 0.0],
        ]
    )
    exact = np.array([expm(system * t) @ [10.0, 10.0, 1.0] for t in time_s])[:, :2] + air_K
    # Steps of 10 s; the surface's own time is 7 s, so its first minute is the worst.
    assert core_K == pytest.approx(exact[:, 0], abs=0.01)
    assert surface_K == pytest.approx(exact[:, 1], abs=0.03)
    assert surface_K[2:] == pytest.approx(exact[2:, 1], abs=0.005)


def test_still_air_is_the_law_of_the_packs_own_march():
    # The same cell through `sim.integrate.march`: heat from a table there, from voltage here.
    from plants import NOT_LIMITED, settings

    from sim.integrate import march
    from sim.judge.series import series
    from sim.physics.plant import at_rest

    cell = plants.cell(
        capacity_Ah=3.0,
        open_circuit={"soc": OCV.soc.tolist(), "voltage_V": OCV.voltage_V.tolist()},
        resistance={"discharge_mohm": 30.0},
        polarisation=[],
        heat={"core_J_K": 40.5, "surface_J_K": 4.5, "core_to_surface_K_W": 1.5},
    )
    plant = plants.plant(cell)._replace(film=FILM)
    legs = plants.held(np.array([0.0, 1500.0]), np.array([6.0]), looks_s=np.arange(0.0, 1501, 10))
    day_K = float(legs.ambient_K[0])
    start = at_rest(plant, 1.0, day_K, day_K)
    trace = march.march(plant, NOT_LIMITED, legs, start, settings(march.march))
    seen = series(plant, legs, trace)
    at = np.arange(0.0, 1501.0, 10.0)
    time_s, first = np.unique(seen.time_s, return_index=True)
    truth = replace(TRUTH, entropic_mV_K=np.zeros(9), cooling=1.0, contact_ohm=0.0, cell_ohm=0.03)
    log = made(truth, np.full(150, 6.0), air_C=day_K - 273.15, noise_K=0.0)

    marched_C = np.interp(at, time_s, seen.surface_C[first])
    assert marched_C == pytest.approx(log.surface_C, abs=0.01)  # scipy and the march
    fit = _with(both(), capacity=45.0, across=1.5, cooling=1.0, contact=0.0, entropic=0.0)
    assert predict_surface(fit, log).surface_C == pytest.approx(marched_C, abs=0.02)


def _with(fit, *, capacity, across, cooling, contact, entropic):
    """A fit with its values replaced."""
    values = replace(
        fit.values, capacity_J_K=capacity, across_K_W=across, cooling=cooling,
        contact_ohm=contact, charge_factor=1.0, entropic_V_K=np.full(len(KNOTS), entropic),
    )  # fmt: skip
    return replace(fit, values=values)


# ---- what is found


def test_two_rates_give_back_what_the_logs_were_made_with():
    fit = both()
    made_of = [TRUTH.capacity_J_K, TRUTH.across_K_W, TRUTH.cooling, 12.0, 1.0, *ENTROPIC_mV_K]

    assert fit.fitted, fit.refusals
    for found, true in zip(fit.parameters, made_of, strict=False):
        assert abs(found.value - true) < MOST_SDS * found.sd, found
    assert max(each.rms_K for each in fit.residuals) < 0.05  # 0.03 K of noise were put in
    assert fit.collapse.holds


def test_standard_errors_do_not_claim_more_than_priors_and_noise_allow():
    # C, cooling and contact share one scale, so none is told better than the mass tells C.
    fit = both()

    assert 0.05 < fit.parameter("heat_capacity").sd / fit.values.capacity_J_K < 0.12
    assert fit.parameter("heat_capacity").doubt is not None
    assert 1.0 < fit.parameter("contact").sd < 6.0
    assert fit.correlations[0, 3] < -0.6  # less capacity, more contact


def test_a_rate_that_was_not_fitted_is_predicted():
    four_c = made(TRUTH, 12.0, noise_K=0.0, name="4C.csv")

    off_K = predict_surface(both(), four_c).surface_C - four_c.surface_C

    assert np.max(np.abs(off_K)) < 0.6  # of a rise of some 35 K
    said = interval(both(), four_c, limit_C=80.0)
    assert said.low_C < np.max(four_c.surface_C) < said.high_C
    assert not said.inside
    assert said.verdict == "stays cool"


def test_a_stirred_chamber_gives_its_conductance():
    truth = replace(TRUTH, still=False, cooling=0.13, contact_ohm=0.0)
    logs = [made(truth, 3.0, name="a.csv"), made(truth, 6.0, seed=1, name="b.csv")]

    fit = fit_heat(logs, OCV, replace(STILL, cooling="stirred", contact="none"))

    found = fit.parameter("cooling_W_K")
    assert fit.fitted, fit.refusals
    assert abs(found.value - 0.13) < MOST_SDS * found.sd
    assert found.sd < 0.03
    assert "don't carry it there" in " ".join(advice(fit))


def test_a_tail_tells_the_air_that_the_first_sample_does_not():
    # The cell starts 2 K colder than its air, as after a move; first sample taken as air: 2 K off.
    logs = [
        made(TRUTH, rate, air_C=25.0, first_C=23.0, tail_s=3000.0, seed=k, name=f"{k}.csv")
        for k, rate in enumerate((3.0, 6.0))
    ]

    fit = fit_heat(logs, OCV, STILL)

    for k in range(2):
        found = fit.parameter(f"air_shift_of_{k}.csv")
        assert abs(found.value - 2.0) < MOST_SDS * found.sd
        assert found.value > 1.2
        assert found.sd < 0.7


def test_the_fit_is_the_same_each_time():
    again = fit_heat([one_c(), two_c()], OCV, STILL)

    assert np.array_equal(again.x, both().x)
    assert np.array_equal(again.covariance, both().covariance)


def test_another_cell_of_the_class_keeps_all_but_its_contact():
    other = made(replace(TRUTH, contact_ohm=0.025), 6.0, seed=5, name="other.csv")
    faster = made(replace(TRUTH, contact_ohm=0.025), 12.0, noise_K=0.0, name="faster.csv")

    fit = refit_contact(both(), [other], OCV)

    found = fit.parameter("contact")
    assert abs(found.value - 25.0) < MOST_SDS * found.sd
    assert fit.values.capacity_J_K == both().values.capacity_J_K
    assert fit.fitted
    off_K = predict_surface(fit, faster).surface_C - faster.surface_C
    assert np.max(np.abs(off_K)) < 0.8
    unchanged_K = predict_surface(both(), faster).surface_C - faster.surface_C
    assert np.max(unchanged_K) > 5.0  # with the first cell's contact


# ---- what is refused or flagged


@pytest.mark.parametrize("log", [one_c, two_c])
def test_one_rate_is_never_called_fitted(log):
    fit = fit_heat([log()], OCV, STILL)

    assert not fit.fitted
    assert "one rate only" in fit.refusals[0]
    assert fit.collapse.holds is None
    assert fit.parameter("contact").value == 0.0
    assert "one twice the other" in str(fit.parameter("contact").doubt)
    assert answer(fit).startswith("Heat is NOT fitted (one rate only")
    said = interval(fit, log(), limit_C=200.0)
    assert said.verdict == "cannot tell"


def test_two_logs_of_one_rate_are_one_rate():
    again = made(TRUTH, 3.1, seed=3, name="again.csv")

    fit = fit_heat([one_c(), again], OCV, STILL)

    assert not fit.fitted
    assert "one rate only (3.00 to 3.10 A)" in fit.refusals[0]


def test_rates_that_do_not_collapse_are_refused():
    # 60 mohm outside the cell, and the fit is told that there is nothing outside.
    truth = replace(TRUTH, contact_ohm=0.06)
    logs = [made(truth, rate, name=f"{rate}.csv") for rate in (3.0, 9.0)]

    fit = fit_heat(logs, OCV, replace(STILL, contact="none"))

    assert not fit.fitted
    assert any("bound" in each or "one curve" in each for each in fit.refusals)


def test_a_current_counted_the_other_way_is_refused():
    turned = replace(one_c(), current_A=-one_c().current_A)

    with pytest.raises(InputError, match=r"1C\.csv line \d+.*accepted: up to 100 %"):
        fit_heat([turned], OCV, STILL)


def test_a_voltage_that_rises_with_current_is_flagged():
    log = pulsed()
    mirrored = replace(log, voltage_V=2.0 * log.voltage_V[0] - log.voltage_V)

    fit = fit_heat([mirrored, two_c()], OCV, STILL)

    assert any("wrong sign" in each for each in fit.warnings)
    assert not fit.fitted


@pytest.mark.parametrize(("rows", "word"), [(2, "late"), (-3, "early")])
def test_columns_out_of_step_are_flagged(rows, word):
    log = pulsed()

    fit = fit_heat([replace(log, voltage_V=np.roll(log.voltage_V, rows)), two_c()], OCV, STILL)

    assert any(f"{abs(rows)} rows {word}" in each for each in fit.warnings)


def test_columns_in_step_are_not_flagged():
    fit = fit_heat([pulsed(), two_c()], OCV, STILL)

    assert fit.warnings == ()


@pytest.mark.parametrize("late_s", [60, -60])
def test_a_temperature_that_comes_late_is_flagged(late_s):
    log = made(TRUTH, np.tile([9.0] * 30 + [0.0] * 60, 4), name="slow.csv")
    shifted = replace(log, surface_C=np.roll(log.surface_C, late_s // 10))
    shifted.surface_C[: max(late_s // 10, 0)] = log.surface_C[0]
    if late_s < 0:
        shifted.surface_C[late_s // 10 :] = log.surface_C[-1]

    fit = fit_heat([shifted, two_c()], OCV, STILL)

    assert fit.lags[0].flagged
    assert fit.lags[0].lag_s == pytest.approx(late_s, abs=20.0)
    assert any("out of step" in each and "slow.csv" in each for each in fit.warnings)
    assert not fit_heat([log, two_c()], OCV, STILL).lags[0].flagged


def test_swapped_sensors_are_flagged():
    log = one_c()
    swapped = replace(log, surface_C=np.full(len(log.time_s), 22.0), ambient_C=log.surface_C)

    fit = fit_heat([swapped, two_c()], OCV, STILL)

    assert any("swapped" in each for each in fit.refusals)


def test_a_log_without_temperature_is_refused():
    with pytest.raises(InputError, match=r"1C\.csv: no surface temperature.*accepted"):
        fit_heat([replace(one_c(), surface_C=None)], OCV, STILL)


def test_rows_past_the_curve_are_left_out_and_said():
    beyond = made(TRUTH, 6.0, down_to=-0.10, name="beyond.csv")

    fit = fit_heat([one_c(), beyond], OCV, STILL)

    assert len(fit.residuals[1].time_s) < len(beyond.time_s)
    assert any("beyond.csv: rows from line" in each for each in fit.notes)


# ---- the interval, and the model's own voltage


def test_the_interval_is_as_wide_as_it_is_said_to_be():
    log = made(TRUTH, 4.5, noise_K=0.0, name="between.csv")

    said = interval(both(), log)

    rise_K = said.peak_C - log.surface_C[0]
    half_K = 2.0 * np.sqrt((1.7 * said.sd_K) ** 2 + (0.06 * rise_K) ** 2 + 0.4**2)
    assert said.high_C - said.peak_C == pytest.approx(half_K, rel=1e-9)
    assert said.inside
    own = interval(both(), log, lambda _: log.voltage_V)
    assert own.high_C - said.high_C == pytest.approx(0.05 * rise_K, abs=0.02)


def test_outside_the_fitted_rates_the_models_own_voltage_costs_a_quarter_of_the_rise():
    log = made(TRUTH, 12.0, noise_K=0.0, name="4C.csv")

    own = interval(both(), log, lambda _: log.voltage_V)
    said = interval(both(), log)

    rise_K = own.peak_C - log.surface_C[0]
    assert own.high_C - said.high_C == pytest.approx(0.25 * rise_K, abs=0.05)
    assert "outside the rates" in own.words


def test_it_stays_cool_only_if_the_upper_edge_does():
    said = interval(both(), two_c(), limit_C=60.0)

    assert interval(both(), two_c(), limit_C=said.high_C + 0.01).verdict == "stays cool"
    assert interval(both(), two_c(), limit_C=said.high_C - 0.01).verdict == "cannot tell"


def test_voltage_and_temperature_of_the_model_settle_in_each_other():
    # The cell's own resistance falls 1 % a kelvin; the true answer by scipy, coupled throughout.
    log = made(TRUTH, 6.0, noise_K=0.0, name="coupled.csv")
    fit = both()

    def model(inner):
        eased = TRUTH.cell_ohm * (1.0 - 0.01 * (inner.surface_C - 25.0))
        soc = 1.0 - inner.charge_Ah / OCV.capacity_Ah
        return np.interp(soc, OCV.soc, OCV.voltage_V) - inner.current_A * eased

    seen = predict_surface(fit, log, own_voltage(fit, log, model))

    lost_V = fit.values.contact_ohm * log.current_A
    again = model(replace(log, surface_C=seen.core_C)) - lost_V
    assert seen.voltage_V[1:] == pytest.approx(again[1:], abs=2e-4)  # 0.005 K times 1 % of 0.15 V


def test_the_inner_log_is_what_the_cell_itself_saw():
    fit = both()

    inner = inner_log(fit, two_c())

    lost_V = fit.values.contact_ohm * two_c().current_A
    assert inner.voltage_V == pytest.approx(two_c().voltage_V + lost_V)
    assert inner.surface_C == pytest.approx(predict_surface(fit, two_c()).core_C)
    assert np.max(inner.surface_C - two_c().surface_C) > 0.5  # a core is warmer than its can


# ---- what it writes


def profile():
    """A profile as TOML is read, with a rising resistance table."""
    return {
        "name": "made up",
        "chemistry": "none",
        "capacity_Ah": 3.0,
        "size": SIZE.model_dump(),
        "open_circuit": {"soc": [0.0, 0.5, 1.0], "voltage_V": [3.0, 3.6, 4.2]},
        "resistance": {"discharge_mohm": 37.0},
        "heat": {"core_J_K": 1.0, "surface_J_K": 1.0, "core_to_surface_K_W": 0.0},
        "limits": {
            "full_V": 4.2, "cutoff_V": 2.8, "discharge_A": 8.0, "charge_A": 1.6,
            "discharge_core_min_C": -20, "discharge_core_max_C": 60,
            "charge_core_min_C": 0, "charge_core_max_C": 45,
        },
    }  # fmt: skip


def test_a_profile_gets_heat_entropy_and_their_sources():
    content = profile()

    written = into_profile(content, both(), contact_in_resistance=True)

    checked = CellProfile.model_validate(written)
    total_J_K = checked.heat.core_J_K + checked.heat.surface_J_K
    assert total_J_K == pytest.approx(both().values.capacity_J_K, abs=0.02)
    entropic = checked.open_circuit.entropic_mV_K
    assert entropic[2] == pytest.approx(1e3 * both().values.entropic_V_K[-1], abs=1e-3)
    assert checked.resistance.discharge_mohm == pytest.approx(
        37.0 - 1e3 * both().values.contact_ohm, abs=1e-3
    )
    assert "1C.csv lines 2 to" in checked.sources["heat"].origin
    assert not checked.sources["heat"].guess
    assert content == profile()


def test_a_profile_says_that_one_rate_is_a_guess():
    written = into_profile(profile(), fit_heat([one_c()], OCV, STILL))

    source = CellProfile.model_validate(written).sources["entropic"]
    assert source.guess
    assert "one rate only" in source.origin


def test_a_contact_larger_than_the_resistance_is_refused():
    content = profile()
    content["resistance"] = {"discharge_mohm": 5.0}

    with pytest.raises(InputError, match=r"discharge_mohm holds 5\.0 mohm.*accepted"):
        into_profile(content, both(), contact_in_resistance=True)


def test_words_and_picture_tell_of_every_log(tmp_path: Path):
    picture(both(), tmp_path / "heat.png")

    assert (tmp_path / "heat.png").stat().st_size > 20_000
    said = "\n".join(lines(both()))
    assert "1C.csv: 3.00 A, fitted to" in said
    assert "fall on one curve" in said
    assert "weigh the cell" in said
    assert "exposed_fraction" in said
    assert "lead_mohm" in said


def test_a_single_log_has_a_picture_too(tmp_path: Path):
    picture(fit_heat([one_c()], OCV, STILL), tmp_path / "heat.png")

    assert (tmp_path / "heat.png").stat().st_size > 20_000


def test_the_table_of_the_film_is_not_needed():
    # `tabled` is a look-up for speed; without it the same law is computed.
    log = two_c()
    plain = replace(both(), unknowns=replace(both().unknowns, film=FILM))
    quick = replace(both(), unknowns=replace(both().unknowns, film=tabled(FILM)))

    by_law = predict_surface(plain, log).surface_C
    assert predict_surface(quick, log).surface_C == pytest.approx(by_law, abs=5e-3)


@pytest.mark.slow
def test_voltage_and_heat_fitted_together_leave_the_contact_out_of_the_cell():
    slow = made(TRUTH, 0.15, every_s=120.0, down_to=0.0, name="slow.csv")
    fitted = [made(TRUTH, rate, down_to=0.02, name=f"{rate}.csv") for rate in (3.0, 6.0)]
    faster = made(TRUTH, 9.0, noise_K=0.0, name="faster.csv")

    electrical, heat = fit_both(fitted, fitted, STILL, slow)

    contact = heat.parameter("contact")
    assert abs(contact.value - 12.0) < MOST_SDS * contact.sd
    inner = inner_log(heat, fitted[1])
    soc, own_V = predict(electrical, inner)
    half = int(np.argmin(np.abs(soc - 0.5)))
    drop_V = float(np.interp(soc[half], CURVE_SOC, electrical.open_V)) - own_V[half]
    assert 1e3 * drop_V / 6.0 == pytest.approx(37.0 - contact.value, abs=2.0)
    # The cell's ohms were made alike at all temperatures; the fit's prior eases them with warmth.
    seen = predict_surface(heat, faster, model_voltage(electrical, heat, faster))
    assert np.max(np.abs(seen.surface_C - faster.surface_C)) < 3.0  # of a rise of 27 K
