"""The job, the supply and the machine."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from doe.errors import StudyError
from doe.study import Job, Machine, Study, Supply, parse_study

Parse = Callable[..., Study]
Refused = Callable[..., None]


def test_nothing_stated_is_nothing_assumed(parse: Parse) -> None:
    study = parse()
    assert (study.job, study.supply, study.machine) == (Job(), Supply(), Machine())


def test_amounts_of_the_job_are_read_in_any_unit(parse: Parse) -> None:
    job = parse('[job]\nprocess = 136\nthickness = "3/8 in"\ntravel_speed = "12 ipm"\nhydrogen = "5 ml/100 g"\n').job
    assert job.process == "136"
    assert job.thickness_mm == pytest.approx(9.525)
    assert job.travel_speed_mm_s == pytest.approx(5.08)
    assert job.hydrogen_ml_100g == 5.0


@pytest.mark.parametrize(
    ("written", "read"),
    [("faces, section", "face, section"), ("Fracture", "fracture"), ("face and sections", "face, section"), ("", "")],
)
def test_places_where_pores_are_looked_for_are_read(parse: Parse, written: str, read: str) -> None:
    assert parse(f'[job]\ninspected = "{written}"\n').job.inspected == read


def test_bare_numbers_of_the_supply_are_volts_and_amperes(parse: Parse) -> None:
    assert parse('[supply]\nvoltage = 230\nbreaker = 16\ncurve = "UL"\n').supply == Supply(230.0, 16.0, "UL")


def test_shares_of_the_machine_may_be_per_cent(parse: Parse) -> None:
    text = '[machine]\nefficiency = "80 %"\npower_factor = 0.7\nduty = { percent = "30 %", current = 120 }\n'
    assert parse(text).machine == Machine(0.8, 0.7, 30.0, 120.0)


@pytest.mark.parametrize(
    ("table", "body", "where", "match"),
    [
        ("job", "thickness = 10", ".thickness", '“10” has no unit; write it with one, such as "10 mm"'),
        ("job", 'thickness = "10 A"', ".thickness", "“A” is a unit of current, not of length; accepted are mm"),
        ("job", 'thickness = "0 mm"', ".thickness", "“0 mm” is not above 0"),
        ("job", 'thickness = "10 mn"', ".thickness", "the unit “mn” is not known"),
        ("job", 'travel_speed = "300 mm"', ".travel_speed", "“mm” is a unit of length, not of speed"),
        ("job", "hydrogen = -1", ".hydrogen", "“-1” is not above 0"),
        (
            "job",
            'inspected = "roots"',
            ".inspected",
            "“roots” is no place where pores are looked for; accepted are any of face",
        ),
        ("job", 'inspected = "sectoin"', ".inspected", "did you mean “section”"),
        ("job", "chemistry = { c = 0.1 }", ".chemistry.c", "“c” is not an element used here; did you mean “C”"),
        ("job", "chemistry = { C = -0.1 }", ".chemistry.C", "-0.1 is not a mass per cent"),
        ("job", "chemistry = { C = 60, Mn = 50 }", ".chemistry", "add up to more than 100"),
        ("job", "chemistry = [1]", ".chemistry", "write a table in curly brackets"),
        ("job", "thicknes = 1", ".thicknes", "did you mean “thickness”"),
        ("job", "joint = 3", ".joint", "write a text in quotes"),
        ("job", f'joint = "{"x" * 301}"', ".joint", "a text may have 300 characters, this one has 301"),
        ("supply", 'voltage = "230 A"', ".voltage", "“A” is a unit of current, not of voltage"),
        ("supply", 'breaker = "16 V"', ".breaker", "“V” is a unit of voltage, not of current"),
        ("supply", "breaker = 0", ".breaker", "“0” is not above 0"),
        ("supply", 'curve = "E"', ".curve", "“E” is not accepted; accepted are B, C, D, UL"),
        ("machine", "efficiency = 80", ".efficiency", "80 is above 1; write 80 % as 0.80"),
        ("machine", "power_factor = 0", ".power_factor", "“0” is not above 0"),
        ("machine", 'duty = { percent = 130, current = "1 A" }', ".duty.percent", "130 is above 100 per cent"),
        ("machine", "duty = { percent = 30 }", ".duty.current", "“current” is missing"),
        ("job", "burn_off = { a = 0.5 }", ".burn_off.b", "“b” is missing"),
        ("job", "burn_off = { a = 0, b = 1e-4 }", ".burn_off", "no wire has a at or below 0"),
        ("job", 'burn_off = { a = 1, b = 0, lowest = "9 A" }', ".burn_off", "both the lowest and the highest"),
        (
            "job",
            'burn_off = { a = 1, b = 0, lowest = "9 A", highest = 8 }',
            ".burn_off",
            "8 A, is not above the lowest",
        ),
        ("job", "burn_off = { a = 1, b = 0, c = 2 }", ".burn_off.c", "accepted are a, b, lowest, highest"),
        ("job", 'cooling_joint = "lap"', ".cooling_joint", "plate.*butt.*corner.*tee"),
        (
            "job",
            'covariates = ["travel sped"]',
            ".covariates",
            "did you mean “travel speed”.; accepted are travel speed and",
        ),
        ("machine", "duty = 30", ".duty", "write a table in curly brackets"),
        ("machine", 'duty = { percent = 30, current = "1 A", at = 3 }', ".duty.at", "accepted are percent, current"),
    ],
)
def test_faults_are_refused_at_their_key(refused: Refused, table: str, body: str, where: str, match: str) -> None:
    refused(table + where, match, f"[{table}]\n{body}\n")


def test_covariates_are_taken_by_their_names(parse: Parse) -> None:
    job = parse('[job]\ncovariates = ["Stick-out", "travel  speed", "stick-out"]\n').job
    assert job.covariates == ("stick-out", "travel speed")


def test_a_table_that_is_none_is_refused() -> None:
    with pytest.raises(StudyError, match="job: “3” is not accepted; a table with the keys process, joint"):
        parse_study("job = 3")
