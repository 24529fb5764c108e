"""The voltage fit on cells that are known, and the command about it.

Logs are made by the product's march of a cell whose tables were written down here, so what must
come out is known; that the march itself is right is for test_marchers_agree.py. What the fit
makes of real cells is in test_fit_voltage_open_data.py.
"""

from __future__ import annotations

import json
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import plants
import pytest
from fit_product import marched_V, written
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from small_day import answer

from sim.errors import InputError
from sim.files.cell_schema import CellProfile
from sim.files.toml import checked, read_toml
from sim.fit import model
from sim.fit.curve import slow_branch
from sim.fit.driven import driven
from sim.fit.electrical import fit_electrical, predict
from sim.fit.log import Log
from sim.fit.response import mean_response, pair_response, pair_voltage
from sim.show.fit_files import toml_of

# A cell of 2.5 Ah whose every number is known: 20 mohm at once, 12 within 12 s, 18 within 150 s.
CAPACITY_AH = 2.5
AT_ONCE_MOHM, FAST_MOHM, SLOW_MOHM = 20.0, 12.0, 18.0
TOTAL_MOHM = AT_ONCE_MOHM + FAST_MOHM + SLOW_MOHM
SOC = [0.0, 0.01, 0.02, 0.05, 0.1, 0.2, 0.4, 0.6, 0.8, 1.0]
VOLT = [2.5, 2.9, 3.1, 3.3, 3.4, 3.5, 3.62, 3.77, 3.97, 4.18]
KNOWN = plants.profile(
    capacity_Ah=CAPACITY_AH,
    open_circuit={"soc": SOC, "voltage_V": VOLT},
    resistance={"discharge_mohm": AT_ONCE_MOHM},
    polarisation=[
        {"resistance_mohm": FAST_MOHM, "time_constant_s": 12.0},
        {"resistance_mohm": SLOW_MOHM, "time_constant_s": 150.0},
    ],
)


def logged(name: str, spells, step_s: float = 10.0, offset_A: float = 0.0) -> Log:
    """A log of the known cell at 25 C: spells of (ampere, seconds), read by an off counter."""
    flow_A = np.concatenate([np.full(round(s / step_s), float(a)) for a, s in spells])
    n = len(flow_A) + 1
    log = Log(
        path=Path(f"{name}.csv"),
        name=f"{name}.csv",
        time_s=np.arange(n) * step_s,
        current_A=np.insert(flow_A, 0, 0.0),
        voltage_V=np.zeros(n),
        surface_C=np.full(n, 25.0),
        ambient_C=None,
        notes=(),
        lines=np.arange(2, n + 2),
    )
    volt = marched_V(CellProfile.model_validate(KNOWN), log)
    volt[0] = VOLT[-1]
    return replace(log, voltage_V=volt, current_A=log.current_A + offset_A)


def hours(charge_Ah: float, current_A: float) -> float:
    """Seconds that draw a charge."""
    return 3600.0 * charge_Ah / current_A


SLOW = logged("slow", [(0.0, 60.0), (0.125, hours(2.49, 0.125))], step_s=60.0)
ONE_C = logged("one_c", [(2.5, hours(2.4, 2.5))])
PULSES = logged("pulses", [(1.25, 600.0), (0.0, 1200.0)] * 11)
SHORT = logged("short", [(5.0, 10.0), (0.0, 1400.0), (0.125, 4200.0), (0.0, 1200.0)] * 14)
UNSEEN = logged("unseen", [(4.0, 200.0), (0.3, 300.0), (-1.0, 60.0), (2.0, 100.0)] * 6)


@pytest.fixture(scope="module")
def fit():
    return fit_electrical([PULSES, ONE_C], SLOW)


# ---- the response of a pair


@given(
    st.lists(st.tuples(st.floats(0.1, 100.0), st.floats(-5.0, 5.0)), min_size=2, max_size=6),
    st.floats(0.2, 500.0),
)
@settings(max_examples=8, deadline=None)
def test_a_pair_under_held_currents_is_what_scipy_integrates(rows, tau_s):
    span_s, flow_A = np.array(rows).T
    n = len(span_s)
    knot, part, warm = np.zeros(n, dtype=np.intp), np.full(n, 0.25), np.ones(n)
    at_end, mean = np.empty((n, 2)), np.empty((n, 2))
    pair_response(span_s, flow_A, knot, part, warm, tau_s, at_end)
    mean_response(span_s, flow_A, knot, part, warm, tau_s, mean)

    v = 0.0
    for i in range(n):
        # The second state is the integral of the first.
        run = solve_ivp(
            lambda _, y, i=i: [(flow_A[i] - y[0]) / tau_s, y[0]],
            (0.0, span_s[i]), [v, 0.0], rtol=1e-9, atol=1e-11,
        )  # fmt: skip
        v = run.y[0, -1]
        # 1 nV a volt: what scipy was asked for, with room.
        assert at_end[i].sum() == pytest.approx(v, rel=1e-6, abs=1e-7)
        assert at_end[i, 1] == pytest.approx(0.25 * v, rel=1e-6, abs=1e-7)
        assert mean[i].sum() == pytest.approx(run.y[1, -1] / span_s[i], rel=1e-6, abs=1e-7)


@pytest.mark.parametrize("means", [False, True])
def test_derivatives_of_the_model_are_those_of_finite_differences(means):
    branch = slow_branch([SLOW, ONE_C], SLOW)
    layout = model.Layout(model.TAUS_S, free_energy=True)
    curve = model.curve_of(branch, branch.rest_V, CAPACITY_AH, 0.0)
    log = replace(UNSEEN, means=means, surface_C=25.0 + 10.0 * np.sin(UNSEEN.time_s / 500.0))
    d = driven(log, CAPACITY_AH, 1.0)
    random = np.random.default_rng(1)
    x = model.first_guess(layout, CAPACITY_AH) + random.normal(0.0, 0.2, layout.size)
    off, slopes = model.residuals(curve, layout, x, [d], [1.0])

    step = 1e-6
    for i in range(layout.size):
        moved = x.copy()
        moved[i] += step
        by_steps = (model.residuals(curve, layout, moved, [d], [1.0])[0][0] - off[0]) / step
        # One-sided differences of 1e-6 in numbers of order 1 to 100 err by about that.
        assert slopes[0][:, i] == pytest.approx(by_steps, abs=2e-4)


def test_the_voltage_and_its_response_to_ohms_are_one_model():
    d = driven(UNSEEN, CAPACITY_AH, 1.0)
    n = len(d.soc)
    table = np.linspace(0.01, 0.03, model.KNOTS)
    per_ohm, seen, other = np.empty((n, model.KNOTS)), np.empty(n), np.empty(n)
    pair_response(d.span_s, d.flow_A, d.middle.interval, d.middle.part, np.ones(n), 20.0, per_ohm)
    pair_voltage(
        d.span_s, d.flow_A, d.middle.at(table), d.x, 20.0, False, seen, other, other.copy()
    )
    assert per_ohm @ table == pytest.approx(seen, abs=1e-12)


# ---- a known cell is found again


def test_resistance_and_capacity_of_a_known_cell_are_found(fit):
    total = fit.trust.total
    assert total.mohm == pytest.approx(TOTAL_MOHM, abs=max(2.0 * total.sd_mohm, 1.0))
    assert abs(total.mohm / TOTAL_MOHM - 1.0) < 0.05
    early = AT_ONCE_MOHM + FAST_MOHM * (1 - np.exp(-10 / 12)) + SLOW_MOHM * (1 - np.exp(-10 / 150))
    assert fit.trust.after_10_s.mohm == pytest.approx(early, rel=0.05)
    # The slow discharge stopped at 2.49 of 2.5 Ah.
    assert fit.capacity.charge_Ah == pytest.approx(2.49, rel=0.005)


def test_a_load_that_no_log_holds_is_predicted(fit):
    soc, volt = predict(fit, UNSEEN)
    off_mV = 1e3 * (volt - UNSEEN.voltage_V)[soc > 0.1]
    # 5 mV: a tenth of what leaving out the slow pair costs here (18 mohm at 2 to 4 A).
    assert np.sqrt(np.mean(off_mV[1:] ** 2)) < 5.0


def test_the_curve_found_is_the_known_one(fit):
    content = written_content(fit)
    open_V = np.interp(np.linspace(0.1, 1.0, 50), content.soc, content.voltage_V)
    known_V = np.interp(np.linspace(0.1, 1.0, 50), SOC, VOLT)
    # 0.4 % of charge is not counted by the slow log: up to 5 mV where the curve is steep.
    assert open_V == pytest.approx(known_V, abs=6e-3)


def written_content(fit):
    from sim.fit.profile import profile_of

    like = CellProfile.model_validate(plants.profile())
    content = profile_of(fit, like, Path("like.toml"), "x")
    return CellProfile.model_validate(content).open_circuit


def test_the_same_logs_give_the_same_fit(fit):
    again = fit_electrical([PULSES, ONE_C], SLOW)
    assert np.array_equal(again.x, fit.x)
    assert again.trust.total == fit.trust.total


def test_the_profile_marched_is_what_the_fit_predicts(fit, tmp_path):
    soc, volt = predict(fit, UNSEEN, 1.0)
    marched = marched_V(written(fit, tmp_path), UNSEEN)
    seen = (soc > 0.05) & np.isfinite(marched)
    # Steps of 1 s in the march against whole rows here, and five figures in the file.
    assert marched[seen] == pytest.approx(volt[seen], abs=1e-3)


# ---- what logs do not tell


def test_pulses_alone_leave_the_sustained_response_undetermined(fit):
    assert fit.trust.sustained
    assert not fit_electrical([SHORT], SLOW).trust.sustained


def test_one_temperature_holds_the_slope_and_says_so(fit):
    assert not fit.layout.free_energy
    assert any("temperature slope" in words for words in fit.trust.untold)
    assert model.energies_of(fit.layout, fit.x) == pytest.approx(model.ENERGY_J_MOL)


def test_usual_standard_errors_are_smaller_than_those_that_are_stated(fit):
    assert fit.trust.total.naive_sd_mohm < fit.trust.total.sd_mohm


def test_an_offset_of_the_counter_is_seen_on_the_way_back():
    # 10 mA for forty hours: 16 % of the charge, put right to 1 %.
    there = [(0.0, 60.0), (0.125, hours(2.49, 0.125)), (0.0, 3600.0)]
    both = logged("both", [*there, (-0.125, hours(2.49, 0.125))], step_s=60.0, offset_A=0.010)
    branch = slow_branch([both, ONE_C], both)
    assert branch.counted_Ah > 2.65
    assert branch.back_Ah < 2.33
    assert branch.counted_both_Ah == pytest.approx(2.49, rel=0.01)


def test_current_that_was_not_logged_is_taken_from_the_counter():
    # At rest on both sides, and ten minutes of load between.
    keep = np.r_[0:101, 300 : len(PULSES.time_s)]
    counter_Ah = np.insert(np.cumsum(PULSES.current_A[1:] * 10.0 / 3600.0), 0, 0.0)
    holed = replace(
        PULSES,
        time_s=PULSES.time_s[keep],
        current_A=PULSES.current_A[keep],
        voltage_V=PULSES.voltage_V[keep],
        surface_C=PULSES.surface_C[keep],
        lines=PULSES.lines[keep],
        counter_Ah=counter_Ah[keep],
    )
    assert np.flatnonzero(holed.unlogged).tolist() == [101]
    assert holed.charge_Ah[-1] == pytest.approx(counter_Ah[-1], abs=1e-9)


@pytest.mark.parametrize(
    "logs, ocv, said",
    [
        ([SLOW], SLOW, "alone tells no resistance"),
        ([PULSES, SHORT], None, "no open-circuit voltage"),
        ([ONE_C, SLOW], PULSES, "no open-circuit voltage"),
    ],
)
def test_logs_that_can_not_tell_are_refused_in_one_sentence(logs, ocv, said):
    with pytest.raises(InputError, match=said) as refused:
        fit_electrical(logs, ocv)
    assert len(refused.value.complaints) == 1


# ---- the command


def write_csv(log: Log, folder: Path) -> Path:
    """A log as a logger would write it."""
    rows = zip(log.time_s, log.current_A, log.voltage_V, log.surface_C, strict=True)
    lines = [f"{t:g},{a:.4f},{v:.4f},{c:.2f}" for t, a, v, c in rows]
    path = folder / log.name
    path.write_text("time_s,current_A,voltage_V,cell_temp_C\n" + "\n".join(lines) + "\n", "utf-8")
    return path


@pytest.fixture
def bench(tmp_path, monkeypatch):
    """A folder with logs, and a profile to take the rest from."""
    for log in (SLOW, ONE_C, PULSES):
        write_csv(log, tmp_path)
    content = plants.profile(sources={"size": {"from": "weighed", "uncertainty": 0.02}})
    (tmp_path / "like.toml").write_text(toml_of(content), "utf-8")
    monkeypatch.chdir(tmp_path)
    return tmp_path


LOGS = ["pulses.csv", "one_c.csv", "--ocv", "slow.csv", "--like", "like.toml"]


def test_the_command_proposes_a_profile_and_says_what_it_is_worth(bench):
    code, out, err = answer("fit", *LOGS, "--out", "mine.toml")
    assert code == 0, err
    assert out.startswith("Found 2.4")
    first = out.splitlines()[0]
    assert "mV rms" in first
    assert "Not determined: resistance over temperature, heat." in first
    profile = checked(CellProfile, read_toml(bench / "mine.toml"), "mine.toml")
    sources = profile.sources
    assert "slow.csv lines" in sources["open_circuit"].origin
    assert "pulses.csv lines 2 to" in sources["resistance"].origin
    assert sources["size"].origin == "taken over from like.toml: weighed"
    assert sources["limits"].guess  # like.toml names no source
    summary = json.loads((bench / "mine-fit.json").read_text("utf-8"))
    assert summary["sentence"] == first
    assert summary["total_resistance"]["mohm"] == pytest.approx(TOTAL_MOHM, rel=0.05)
    assert (bench / "mine-voltage.png").stat().st_size > 10_000


def test_a_weighed_cell_puts_its_mass_into_the_profile(bench):
    words = [*LOGS, "--mass-g", "46.2", "--no-plots", "--no-heat", "--quiet"]
    code, out, err = answer("fit", *words, "--out", "mine.toml")
    assert code == 0, err
    assert len(out.splitlines()) == 1
    assert checked(CellProfile, read_toml(bench / "mine.toml"), "x").size.mass_g == 46.2
    assert not (bench / "mine-voltage.png").exists()


def test_its_picture_comes_in_the_format_asked_for(bench):
    words = [*LOGS, "--format", "svg", "--no-heat", "--quiet"]
    code, _, err = answer("fit", *words, "--out", "mine.toml")
    assert code == 0, err
    assert (bench / "mine-voltage.svg").read_bytes().startswith(b"<?xml ")
    assert not (bench / "mine-voltage.png").exists()


@pytest.mark.parametrize("taken", ["mine.toml", "mine-fit.json", "mine-voltage.png"])
def test_nothing_is_ever_overwritten(bench, taken):
    (bench / taken).write_text("mine", "utf-8")
    before = sorted(path.name for path in bench.iterdir())
    code, _, err = answer("fit", *LOGS, "--out", "mine.toml")
    assert code == 2
    assert err.strip() == (
        f"{taken} is already there, and a fit never overwrites; give another --out or move it away"
    )
    assert (bench / taken).read_text("utf-8") == "mine"
    assert sorted(path.name for path in bench.iterdir()) == before


@pytest.mark.parametrize(
    "words, said",
    [
        (["one_c.csv", "--out", "a.toml"], "give --like PROFILE"),
        ([*LOGS, "--out", "a.json"], "ending .toml"),
        ([*LOGS, "--out", "nowhere/a.toml"], "make it first"),
        ([*LOGS, "--out", "a.toml", "--means", "other.csv"], "none of the logs"),
        (["no.csv", *LOGS, "--out", "a.toml"], "no.csv"),
        (["like.toml", *LOGS, "--out", "a.toml"], "like.toml"),
        ([*LOGS, "--out", "a.toml", "--discharge", "negative"], "as if discharge counted"),
    ],
)
def test_what_can_not_be_used_is_told_and_nothing_written(bench, words, said):
    before = sorted(path.name for path in bench.iterdir())
    code, _, err = answer("fit", *words)
    assert code == 2
    assert said in err
    assert "Traceback" not in err
    assert sorted(path.name for path in bench.iterdir()) == before


@given(st.text(st.characters(exclude_categories=("Cs", "Cc")), min_size=1, max_size=30))
def test_any_name_survives_the_file(name):
    content = plants.profile(name=name, sources={"heat": {"from": name, "uncertainty": 0.1}})
    assert tomllib.loads(toml_of(content)) == content
