"""The 48 cases of people who build packs: which test tells which, and which can't be told.

The cases lie beside the checkout (shared/cases/cases.md); a test of one skips where they do not.
A test here names its case by `@of("C03")`. `ELSEWHERE` lists the cases that stand in other files,
`NOT_EXPRESSED` those, or parts of those, that no command can answer, with the reason.

Tests of as-built packs write the case's numbers into files, run what a command runs, and read its
result. Beyond that: C24's row of three has a middle with its own share of air, which no scenario
can say and which is put into the record; C07's 60 A would settle past where the model ends, so its
heat is told over the conductance; C11's misreading is looked up in the case's own table.
"""

from __future__ import annotations

import pytest
from wiring_cases import CASES, between, case

__all__ = ["CASES", "ELSEWHERE", "NOT_EXPRESSED", "between", "case", "of"]

COUNT = 48
ELSEWHERE = {
    "C01": (
        "test_size",
        "test_c01_current_is_taken_at_the_lowest_voltage_and_every_broken_limit_is_named",
    ),
    "C02": (
        "test_size",
        "test_c02_energy_and_power_are_told_at_nominal_voltage_not_at_that_of_a_full_charge",
    ),
    "C05": (
        "test_wiring_cases",
        "test_c05_a_shorted_cells_link_sees_as_many_times_more_as_it_has_healthy_neighbours",
    ),
    "C08": (
        "test_size",
        "test_c08_a_report_is_turned_into_consumption_and_rate_and_both_are_questioned",
    ),
    "C09": ("test_size", "test_c09_cells_for_a_controller_and_the_lowest_of_cells_and_board"),
    "C15": ("test_check_log", "test_a_pair_that_averages_to_the_others_is_a_sense_wire"),
    "C22": ("test_check_log", "test_a_pack_that_warms_at_rest_is_a_fault_with_its_least_heat"),
    "C23": ("test_compare", "test_two_sensors_that_agree_in_the_morning_are_no_one_sensor"),
    "C35": ("test_size", "test_c35_one_pack_lost_has_a_verdict_for_energy_and_one_for_current"),
    "C36": ("test_wiring_cases", "test_c36_nickel_strip_is_no_copper_strip"),
    "C37": (
        "test_wiring_cases",
        "test_c37_an_area_in_square_metres_is_refused_and_a_huge_link_is_doubted",
    ),
    "C38": ("test_wiring_cases", "test_c38_a_fuse_does_not_open_at_its_rating"),
    "C39": ("test_wiring_cases", "test_c39_a_fuse_of_32_volt_does_not_suit_a_full_pack_of_13"),
    "C40": (
        "test_wiring_cases",
        "test_c40_a_wires_rating_falls_with_what_is_about_it_and_ends_with_its_table",
    ),
    "C41": ("test_check_log", "test_a_leg_far_below_its_neighbours_is_an_open_joint"),
    "C42": ("test_size", "test_c42_range_and_time_against_speed_and_one_charge_from_every_row"),
    "C43": ("test_size", "test_c43_energy_of_a_cell_and_a_layout_follow_from_counts_and_volts"),
    "C47": ("test_size", "test_c47_a_temperature_below_zero_is_an_options_value"),
    "C48": ("test_check_log", "test_an_offset_at_rest_is_told_with_what_it_adds_up_to"),
}
NOT_EXPRESSED = {
    "C14": "no command takes two readings and a span of power; `stillair fit` needs a log with the "
    "current in it",
}


def of(number: str) -> pytest.MarkDecorator:
    """Name the case that a test is about."""
    return pytest.mark.parametrize("number", [number])
