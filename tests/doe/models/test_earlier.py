"""Scatter taken from an earlier study."""

from __future__ import annotations

import math
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from doe.bench import read_results
from doe.bench.stage import stage_path, write_stage
from doe.errors import StudyError
from doe.models import carry_scatter, fit_responses
from doe.planning.plan import Plan, PlannedWeld
from doe.saving import write_text
from doe.study import read_study
from doe.study.reading import parse_study
from doe.virtual import WELDERS, filled_table, weld_plan

STUDY = """
study.title = "{title}"
factor = [{{ name = "feed", unit = "m/min", low = 5, high = 9, step = 1 }}]
response = [{{ name = "penetration", kind = "measure", unit = "{unit}", {scatter} }}]
plan.welds_per_plate = {per_plate}
"""


def text_of(scatter: str = "at_least = 0.1", *, unit: str = "mm", per_plate: int = 2, title: str = "old lugs") -> str:
    return STUDY.format(title=title, unit=unit, scatter=scatter, per_plate=per_plate)


def asking(folder: Path, scatter: str, **more: object):
    folder.mkdir(exist_ok=True)
    return parse_study(text_of(f'expect_scatter = "{scatter}"', title="new lugs", **more), folder=folder)


@pytest.fixture(scope="module")
def welded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An old study of 20 welds on 10 plates, and one that was never welded."""
    folder = tmp_path_factory.mktemp("studies")
    for name in ("old", "blank"):
        (folder / name).mkdir()
        write_text(folder / name / "study.toml", text_of())
        study = read_study(folder / name)
        welds = tuple(
            PlannedWeld(f"W{i + 1:02d}", f"P{i // 2:02d}", i % 2 + 1, i + 1, (5.0 + i % 5,)) for i in range(20)
        )
        plan = Plan(study, welds, seed=1, fingerprint=study.fingerprint)
        write_stage(plan)
        if name == "old":
            made = weld_plan(plan, WELDERS["plate-heavy scatter"], rng=np.random.default_rng(1))
            write_text(stage_path(folder / name, "results", 1), filled_table(plan, made))
    return folder


def test_the_scatter_is_that_of_the_earlier_fit_and_says_where_it_comes_from(welded: Path):
    spread = fit_responses(read_results(welded / "old", read_study(welded / "old"))).response("penetration")
    found = carry_scatter(asking(welded / "new", "../old")).response("penetration")
    assert found.expect_scatter == pytest.approx(spread.numbers["spread"]["weld"], rel=0.1)  # other draws
    assert found.expect_scatter == pytest.approx(0.15, rel=0.6)  # the truth that was welded
    assert found.scatter_from == "../old, “old lugs”, 20 welds"


def test_with_one_weld_a_plate_the_scatter_between_plates_is_carried_too(welded: Path):
    two = carry_scatter(asking(welded / "new", "../old")).response("penetration").expect_scatter
    one = carry_scatter(asking(welded / "new", "../old", per_plate=1)).response("penetration").expect_scatter
    assert one > 1.3 * two
    assert one == pytest.approx(math.hypot(0.15, 0.3), rel=0.6)


def test_the_scatter_is_told_in_this_study_s_unit(welded: Path):
    mm = carry_scatter(asking(welded / "new", "../old")).response("penetration").expect_scatter
    inches = carry_scatter(asking(welded / "new", "../old", unit="in")).response("penetration").expect_scatter
    assert inches == pytest.approx(mm / 25.4)


def test_a_fit_takes_it_in_and_prints_it_as_an_assumption(welded: Path):
    shutil.rmtree(welded / "new", ignore_errors=True)
    shutil.copytree(welded / "old", welded / "new")
    write_text(welded / "new" / "study.toml", text_of('at_least = 0.1, expect_scatter = "../old"'))
    fit = fit_responses(read_results(welded / "new", read_study(welded / "new")))
    (said,) = [text for text in fit.response("penetration").assumptions if "Repeat scatter" in text]
    assert "(from ../old, “old lugs”, 20 welds), worth one weld" in said


def test_the_question_and_its_fingerprint_stay(welded: Path):
    study = asking(welded / "new", "../old")
    assert carry_scatter(study).fingerprint == study.fingerprint
    plain = parse_study(text_of())
    assert carry_scatter(plain) is plain


def test_results_that_came_later_leave_the_fingerprint_of_other_studies(welded: Path):
    assert asking(welded / "new", "../old").fingerprint != asking(welded / "new", "../blank").fingerprint


@pytest.mark.parametrize(
    ("scatter", "why"),
    [
        ("../nowhere", "there is no study there"),
        ("../blank", "penetration was not measured there yet, so there is no fit"),
        ("./", "leads back to this study"),
    ],
)
def test_a_folder_without_a_fit_is_a_fault_with_its_key(welded: Path, scatter: str, why: str):
    with pytest.raises(StudyError, match="cannot be taken from an earlier study") as caught:
        carry_scatter(asking(welded / "new", scatter))
    fault = caught.value.faults[0]
    assert (fault.file, fault.key) == ("study.toml", "response.penetration.expect_scatter")
    assert f"no scatter can be taken from “{scatter}”" in fault.message
    assert why in fault.message


def test_studies_that_refer_to_one_another_in_a_circle_are_refused(welded: Path, tmp_path: Path):
    for name, other in (("a", "b"), ("b", "a")):
        (tmp_path / name).mkdir()
        write_text(tmp_path / name / "study.toml", text_of(f'expect_scatter = "../{other}"'))
    with pytest.raises(StudyError) as caught:
        carry_scatter(read_study(tmp_path / "a"))
    assert any("leads back" in fault.message for fault in caught.value.faults)


def test_another_response_or_dimension_is_refused(welded: Path):
    study = asking(welded / "new", "../old")
    other = replace(study, responses=(replace(study.responses[0], name="leg"),))
    with pytest.raises(StudyError) as caught:
        carry_scatter(other)
    assert "does not measure “leg”" in caught.value.faults[0].message
    warm = replace(study, responses=(replace(study.responses[0], unit="degC"),))
    with pytest.raises(StudyError) as caught:
        carry_scatter(warm)
    assert "degC" in caught.value.faults[0].message or "temperature" in caught.value.faults[0].message
