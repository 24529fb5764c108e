"""The example scenarios: each runs, can be believed, and says what the README says of it."""

from __future__ import annotations

import functools
import json
import tempfile
import tomllib
from pathlib import Path
from typing import Any

import pytest
from small_day import answer, changed, rows_of

from sim.ask.simulate import Result, simulate
from sim.files.case import assemble, read_case

FOLDER = Path(__file__).resolve().parents[1] / "scenarios"
# Exit code, and the words that open the verdict; the README names the same reasons.
EXPECTED = {
    "orchard-cart": (0, "Stays cool: hottest core "),
    "canal-launch": (0, "Stays cool if the guesses hold: hottest core "),
    "cold-store-tug": (
        1,
        "Stays cool, but crosses 2 other limits: cell above full voltage (4.20 V) at 06:",
    ),
}
SCENARIOS = sorted(EXPECTED)
AS_BUILT = {"orchard-cart-as-built"}


@functools.cache
def outcome(name: str) -> tuple[int, str, dict[str, Any], list[dict[str, str]]]:
    """Run a scenario once; return exit code, printed words, summary and events."""
    with tempfile.TemporaryDirectory() as folder:
        code, out, err = answer("simulate", FOLDER / f"{name}.toml", "--out", Path(folder) / "out")
        assert err == ""
        said = json.loads((Path(folder) / "out/summary.json").read_text(encoding="utf-8"))
        assert (Path(folder) / "out/overview.png").stat().st_size > 10_000
        return code, out, said, rows_of(Path(folder) / "out/events.csv")


def run(name: str, changes: dict[str, Any], integrator: str = "march") -> Result:
    path = FOLDER / f"{name}.toml"
    content = tomllib.loads(path.read_text(encoding="utf-8"))
    return simulate(assemble(changed(content, changes), path), integrator)


def hottest_C(result: Result) -> float:
    return float(result.series.core_C.max())


def test_every_example_has_an_expected_verdict():
    assert {path.stem for path in FOLDER.glob("*.toml")} == set(EXPECTED) | AS_BUILT


def test_the_cart_as_built_stays_cool_for_three_days_and_is_charged_every_night(tmp_path):
    out = tmp_path / "out"
    code, words, _ = answer("simulate", FOLDER / "orchard-cart-as-built.toml", "--out", out)
    said = json.loads((out / "summary.json").read_text())

    assert (code, words.startswith("Stays cool: hottest core ")) == (0, True)
    assert [window["never"] for window in said["charging"]] == [False, False, False]
    assert all(window["full"] for window in said["charging"])
    assert said["repeats_from_day"] == 2
    assert {board["answer"] for board in said["boards"]} == {"will not trip"}
    assert max(said["audit"]["balances"].values()) < 1e-5
    assert {path.name for path in out.iterdir()} >= {"cells.csv", "overview.png", "events.csv"}


@pytest.mark.parametrize("name", SCENARIOS)
def test_an_example_ends_with_its_verdict_in_the_first_line(name):
    code, out, said, _ = outcome(name)

    assert (code, out.splitlines()[0].startswith(EXPECTED[name][1])) == (EXPECTED[name][0], True)
    assert said["verdict"]["passed"] == (code == 0)
    assert said["verdict"]["finished"]


@pytest.mark.parametrize("name", SCENARIOS)
def test_an_examples_audit_passes(name):
    _, _, said, _ = outcome(name)

    assert said["audit"]["complaints"] == []
    assert said["audit"]["passed"]
    assert len(said["audit"]["spot_checks"]) == 2


@pytest.mark.parametrize("name", SCENARIOS)
def test_an_example_is_understood_without_a_doubt(name):
    code, out, err = answer("check", FOLDER / f"{name}.toml")

    assert (code, err) == (0, "")
    assert read_case(FOLDER / f"{name}.toml").notes == ()
    assert "note " not in out


@pytest.mark.parametrize("name", SCENARIOS)
def test_an_example_says_that_its_numbers_are_guesses_and_warns(name):
    _, out, said, _ = outcome(name)

    # Every group of the generic profiles, and what lies between core and surface.
    assert len(said["guesses"]) == 9
    assert "\nguesses " in out
    assert "\nCaution: lithium-ion packs can burn" in out


def test_on_the_orchard_cart_the_sun_does_more_than_the_driving():
    as_it_is = hottest_C(run("orchard-cart", {}))

    by_sun_K = as_it_is - hottest_C(run("orchard-cart", {"enclosure.sun_W": 0.0}))
    by_driving_K = as_it_is - hottest_C(run("orchard-cart", {"load.scale": 1e-6}))

    assert by_sun_K > 2.0 * by_driving_K > 0.0


def test_the_canal_launchs_reserve_hangs_on_the_guess_of_its_capacity():
    (guess,) = [g for g in outcome("canal-launch")[2]["guesses"] if g["what"] == "capacity"]
    capacity_Ah = read_case(FOLDER / "canal-launch.toml").profile.capacity_Ah

    least = run(
        "canal-launch", {"cell.capacity_Ah": capacity_Ah * (1.0 - float(guess["uncertainty"]))}
    )

    assert {event.name for event in least.verdict.events} == {"reserve"}


def test_braking_charges_the_tugs_cells_full_at_first_and_frozen_later():
    _, out, said, events = outcome("cold-store-tug")

    failed = {row["limit"] for row in said["limits"] if not row["passed"]}
    full = [event for event in events if event["event"] == "cell above full voltage"]
    cold = [event for event in events if event["event"] == "core too cold to charge"]
    assert failed == {"overcharge", "charge_cold"}
    assert len(full) + len(cold) == len(events)
    assert all(event["clock"] < "07:00" for event in full)  # in the first of eight hours
    assert all(event["clock"] > "10:00" for event in cold)
    assert "core too cold to charge (by " in out.splitlines()[0]


def test_without_regeneration_the_tug_would_pass(tmp_path):
    """The reason that the verdict names is the reason: take the charging away and it is gone."""
    path = FOLDER / "cold-store-tug.toml"
    content = tomllib.loads(path.read_text(encoding="utf-8"))
    load = (FOLDER / content["load"]["profile"]).read_text(encoding="utf-8")
    (tmp_path / "no-braking.csv").write_text(
        "".join(
            line if ",-" not in line else line.split(",")[0] + ",0\n"
            for line in load.splitlines(keepends=True)
        ),
        encoding="utf-8",
    )
    # More is drawn in all, so the reserve is not what is asked here.
    changes = {"load.profile": str(tmp_path / "no-braking.csv"), "limits.reserve_percent": 0.0}

    result = run("cold-store-tug", changes)

    assert result.passed, result.verdict.events


@pytest.mark.parametrize("name", SCENARIOS)
def test_both_integrators_tell_the_same_day(name):
    """Within 1 mV and 10 mK, as the README promises; 1 mV is 0.1 % of the power within reach."""
    march, scipy = run(name, {}), run(name, {}, "scipy")

    tolerance = {"V": 1e-3, "K": 1e-2, "%": 1e-3, "A": 1e-2, "W": 50.0}
    assert march.passed == scipy.passed
    for ours, reference in zip(march.verdict.limits, scipy.verdict.limits, strict=True):
        assert (ours.margin is None) == (reference.margin is None)
        if ours.margin is not None:
            assert ours.margin == pytest.approx(reference.margin, abs=tolerance[ours.unit])
    assert [e.event for e in march.verdict.events] == [e.event for e in scipy.verdict.events]
