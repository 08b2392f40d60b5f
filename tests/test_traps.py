"""Every degenerate case and every trap of the trade that this program must not fall into, and the test that guards it.

The table is for whoever changes something: it says where each case is guarded, and fails where a guard is renamed away
or left out.
"""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Iterable
from pathlib import Path

import pytest

TESTS = Path(__file__).parent

CASES: dict[str, tuple[str, ...]] = {
    "all counts zero": ("models/test_count.py::test_no_pores_at_all_gives_a_bound_set_by_the_inspected_length",),
    "trips only in one corner": ("models/test_trip.py::test_trips_all_in_one_corner_are_separated_and_finite",),
    "no trip at all": ("models/test_trip.py::test_no_trip_at_all_says_what_the_welds_alone_can_show",),
    "trips everywhere": ("models/test_trip.py::test_trips_everywhere",),
    "no replicate": ("models/test_measure_findings.py::test_without_repeats_the_scatter_must_be_stated",),
    "fewer welds than terms": (
        "models/test_measure_findings.py::test_fewer_welds_than_terms_still_leave_scatter",
        "models/test_measure_findings.py::test_with_fewer_than_ten_readings_the_scatter_must_be_stated",
    ),
    "one plate per preheat": ("models/test_measure_findings.py::test_one_plate_for_each_preheat_is_noticed",),
    "missing penetration": ("models/test_measure_findings.py::test_missing_readings_are_counted_and_named",),
    "burn-through": ("models/test_measure_findings.py::test_burn_throughs_are_counted_and_the_upper_limit_offered",),
    "all readings equal": (
        "models/test_measure_findings.py::test_equal_readings_are_refused",
        "models/test_measure_findings.py::test_scatter_is_never_below_what_rounding_gives",
    ),
    "a response not measured": (
        "window/test_finding.py::test_a_requirement_that_was_not_measured_is_named_and_left_out",
    ),
    "the fit did not settle": (
        "models/test_responses.py::test_draws_carry_whether_their_own_sampler_settled",
        "window/test_unsettled_draws.py::test_no_window_where_any_draws_behind_it_did_not_settle",
        "models/test_count.py::test_a_fit_that_did_not_settle_makes_no_claim",
        "models/test_trip.py::test_a_fit_that_did_not_settle_makes_no_claim",
    ),
    "no window: knowledge or ignorance": ("window/test_words.py::test_data_that_speak_against_it_are_said_to",),
    "16 causes of a trip": (
        "models/test_trip.py::test_a_thermal_cut_out_is_fitted_in_the_coded_factors_even_where_the_load_is_known",
        "models/test_trip_cause.py::test_trips_at_the_lightest_loads_are_seen_to_have_another_cause",
        "bench/test_checks.py::test_is_asked_about_and_kept[an aborted weld without a reason]",
        "models/test_whose_trips.py::test_a_lone_response_that_is_not_named_a_breakers_does_not_take_its_law",
        "bench/test_tables.py::test_the_comments_say_whose_trips_a_column_holds",
        "report/test_run_sheet.py::test_a_trip_is_the_breakers_and_a_cut_out_has_its_own_blank",
    ),
    "17 other loads, cords": ("report/test_run_sheet.py::test_cautions_defer_to_the_code_and_never_upsize",),
    "18 arc amps are not wall amps": (
        "models/test_trip.py::test_measured_load_says_more_than_computed_and_computed_more_than_unknown",
        "models/test_trip.py::test_assumptions_are_said_with_every_fit",
    ),
    "19 no larger breaker": (
        "models/test_trip.py::test_high_computed_load_asks_for_a_reading_and_never_for_a_larger_breaker",
        "report/test_bench_page.py::test_cautions_defer_to_the_code_and_never_upsize",
    ),
    "20 second sides": (
        "models/test_count.py::test_later_welds_on_warm_plates_have_an_answer_of_their_own",
        "models/test_trip.py::test_later_welds_on_warm_plates_have_an_answer_of_their_own",
        "planning/test_making.py::test_with_warm_later_welds_the_position_can_be_told_from_the_factors",
    ),
    "21 aborted welds": (
        "models/test_measure_findings.py::test_an_aborted_weld_that_was_read_counts",
        "bench/test_reading.py::test_an_aborted_weld_keeps_its_readings",
        "models/test_trip.py::test_a_scrapped_welds_trip_counts",
    ),
    "22 start and stop pores": ("bench/test_checks.py::test_is_asked_about_and_kept[a length that holds the ends]",),
    "23 no fusion is a reading": (
        "bench/test_reading.py::test_a_negative_penetration_is_a_reading",
        "bench/test_zeros.py::test_a_zero_of_a_depth_is_asked_about_and_kept",
        "models/test_measure_findings.py::test_zeros_that_entered_as_numbers_are_counted_with_the_way_they_lean",
    ),
    "24 from the root corner, not the leg": (
        "report/test_run_sheet.py::test_penetration_of_a_fillet_counts_from_the_root_corner",
        "bench/test_tables.py::test_penetration_of_a_fillet_is_said_to_count_from_the_root_corner",
        "report/test_macro_page.py::test_penetration_of_a_fillet_is_past_the_root_and_of_a_bead_below_the_toes",
        "../browser/test_macro_geometry.py::test_butt_and_bead_count_from_the_line_between_the_toes",
    ),
    "25 cuts are sub-samples": (
        "models/test_measure_findings.py::test_the_scatter_of_reading_is_taken_off_but_never_more_than_three_quarters",
        "models/textbook/test_layouts.py::test_cuts_of_one_weld_are_readings_and_never_repeats",
    ),
    "26 oblique cuts, scale, parallax": (
        "report/test_macro_page.py::test_a_cut_out_of_square_is_said_to_stretch_what_is_measured",
        "../browser/test_macro_geometry.py::test_scale_from_a_length_and_from_the_plate",
        "../browser/test_macro_page.py::test_four_corners_take_out_the_skew_and_two_points_do_not",
    ),
    "27 legs and throats": (
        "trade/test_wire.py::test_the_throat_is_less_than_either_leg_and_does_not_care_for_their_order",
    ),
    "28 root gap": ("bench/test_checks.py::test_is_asked_about_and_kept[root gaps that differ]",),
    "29 another thickness": (
        "window/test_ladder.py::test_nothing_is_said_beyond_the_thickest",
        "window/test_ladder.py::test_the_ladder_is_climbed_from_the_thinnest_up_in_whatever_order_it_is_given",
    ),
    "30 not readable is not zero": ("bench/test_reading.py::test_not_readable_is_not_zero",),
    "31 zero pores are compatible with some": (
        "window/test_textbook_window.py::test_no_pores_claim_what_garwood_allows",
        "models/test_count.py::test_more_inspected_length_says_more",
    ),
    "32 other defects": ("report/test_run_sheet.py::test_only_round_pores_are_counted_and_only_on_the_steady_part",),
    "33 the region is no rectangle": (
        "planning/test_edges.py::test_on_a_diagonal_band_the_limits_save_more_welds_than_the_beads_cost",
        "planning/test_making.py::test_every_setting_can_be_dialled_in_and_honours_the_limit_exactly",
    ),
    "34 no extrapolation": (
        "window/test_finding.py::test_a_corner_beyond_the_welds_is_told",
        "window/test_welded.py::test_nothing_beyond_the_welds_is_claimable",
        "window/test_welded.py::test_each_kind_has_its_own_range_and_one_that_was_not_welded_has_none",
    ),
    "35 no negative penetration": (
        "models/test_measure_findings.py::test_a_surface_that_falls_below_nought_is_said_to",
    ),
    "36 mean and next weld": (
        "models/test_count.py::test_band_of_the_next_weld_holds_counts_drawn_from_the_posterior",
        "virtual/test_welder.py::test_a_band_of_known_width_holds_a_known_share",
    ),
    "37 the chosen best is confirmed": (
        "window/confirming/test_fixing.py::test_the_claim_is_the_window_and_its_welds_are_the_weakest_corners",
        "window/confirming/test_fixing.py::test_one_failure_withdraws_and_says_what_can_be_claimed_now",
    ),
    "38 degrees of freedom, lack of fit": (
        "models/textbook/test_degenerate.py::test_lack_of_fit_is_said_in_words",
        "models/textbook/test_layouts.py::test_repeats_in_two_blocks_are_not_repeats",
    ),
    "39 the worst point": (
        "models/test_measure_findings.py::test_the_scatter_of_reading_is_taken_off_but_never_more_than_three_quarters",
        "trade/test_acceptance.py::test_the_worst_stretch_is_found_wherever_it_begins",
    ),
    "40 distance from cliffs": (
        "window/test_assurance.py::test_wander_near_a_cliff_costs_assurance_as_the_exact_mean_says",
    ),
    "41 no direction taken for granted": (
        "models/test_measure_findings.py::test_a_setting_that_works_the_other_way_is_fitted_as_it_is",
    ),
}
"""Case to its tests; a number is the trap's. One case of a parametrised test is named by its id, in brackets."""


@pytest.mark.parametrize("case", CASES)
def test_every_case_is_guarded(case: str):
    for guard in CASES[case]:
        file, _, name = guard.partition("[")[0].partition("::")
        text = (TESTS / "doe" / file).read_text(encoding="utf-8")
        assert re.search(rf"^def {name}\(", text, re.MULTILINE), guard


def collected(guards: Iterable[str]) -> subprocess.CompletedProcess[str]:
    """Let pytest look for tests by their ids, without running them."""
    found = [str(TESTS / "doe" / guard) for guard in guards]
    command = [sys.executable, "-m", "pytest", "--collect-only", "-q", "-p", "no:cacheprovider", *found]
    return subprocess.run(command, cwd=TESTS.parent, capture_output=True, text=True, check=False)


def test_every_case_that_is_named_by_its_id_is_there():
    named = sorted({guard for guards in CASES.values() for guard in guards if "[" in guard})
    assert len(named) >= 3
    done = collected(named)
    assert done.returncode == 0, done.stdout + done.stderr
    assert collected([named[0].replace("[", "[no such ")]).returncode == pytest.ExitCode.USAGE_ERROR
