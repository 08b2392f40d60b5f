"""The steps of the work, shared by the commands: each calls the library once and says what was written."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

    from doe.bench.reading import Examination
    from doe.bench.results import Results
    from doe.models.fit import Fit
    from doe.planning.budget import Cost
    from doe.planning.feasibility import WeldLoad
    from doe.planning.plan import Plan
    from doe.planning.quality import PlanQuality
    from doe.rehearsal import Judgement
    from doe.study.model import Study
    from doe.window.window import Window


@dataclass(frozen=True, eq=False)
class Planned:
    """A plan, what it can tell, what it costs, and what it asks of the supply."""

    plan: Plan
    quality: PlanQuality
    cost: Cost
    loads: tuple[WeldLoad, ...]

    def to_dict(self) -> dict[str, object]:
        """Give the plan as ``plan --json`` prints it."""
        return {
            "schema": 1,
            **self.plan.to_dict(),
            "quality": self.quality.to_dict(),
            "cost": self.cost.to_dict(),
            "feasibility": [load.to_dict() for load in self.loads],
        }

    def words(self) -> tuple[str, ...]:
        """Say what the plan can tell, what it costs, and which welds to watch."""
        from doe.planning import plan_words
        from doe.planning.feasibility import load_words
        from doe.planning.words import for_an_engineer

        said = plan_words(self.plan, self.quality, self.cost)
        return (*said, *load_words(self.loads), *for_an_engineer(self.quality))


def make_plan(study: Study, *, seed: int, progress: Callable[[int, int], None] | None = None) -> Planned:
    """Plan the first stage's welds; nothing is written."""
    from doe.planning import plan_welds

    return judge_plan(plan_welds(study, seed=seed, progress=progress))


def judge_plan(plan: Plan) -> Planned:
    """Score a plan, and work out what it costs and what it asks of the supply."""
    from doe.planning import plan_cost, score_plan
    from doe.planning.feasibility import plan_loads

    return Planned(plan, score_plan(plan.study, plan), plan_cost(plan), plan_loads(plan))


def write_plan(plan: Plan, *, replace: bool = False) -> list[Path]:
    """Write plan.csv, results.csv, the run sheet on paper and as a workbook, and the page for the phone."""
    from doe.bench.stage import write_stage
    from doe.bench.workbook_form import write_workbook_form
    from doe.report import write_bench_page, write_run_sheet

    tables = write_stage(plan, replace=replace)
    return [*tables, *write_run_sheet(plan), *write_workbook_form(plan), *write_bench_page(plan)]


def read_folder(folder: Path) -> Results:
    """Read the study and every table of results in its folder."""
    from doe.bench import read_results
    from doe.study import read_study

    return read_results(folder, read_study(folder))


def fit_and_find(folder: Path, *, seed: int, textbook: bool = False) -> tuple[Fit, Window]:
    """Read, fit, and find the window."""
    from doe.models import fit_responses
    from doe.window import find_window

    fit = fit_responses(read_folder(folder), seed=seed, textbook=textbook)
    return fit, find_window(fit, seed=seed)


def make_report(folder: Path, *, seed: int) -> tuple[Window, list[Path]]:
    """Read, fit, find the window, and write report and card."""
    from doe.bench.stage import read_plans
    from doe.report import write_report

    fit, window = fit_and_find(folder, seed=seed)
    study = fit.results.study
    files = write_report(study, read_plans(study), fit.results, fit, window, folder / "report")
    return window, files


def new_folder(wanted: Path | None, *, stem: str) -> Path:
    """Give the wanted folder if it is empty, or the first free one of a name."""
    from doe.errors import WouldOverwriteError

    if wanted is None:
        numbers = (stem if i == 1 else f"{stem}-{i}" for i in range(1, 10_000))
        return next(Path(name) for name in numbers if not Path(name).exists())
    if wanted.exists() and any(wanted.iterdir()):
        message = f"the folder {wanted} is not empty; name a new one"
        raise WouldOverwriteError(message)
    return wanted


def start_demo(folder: Path) -> Study:
    """Write the shipped example's study.toml into a folder and read it."""
    from doe.shipped import shipped
    from doe.study import read_study

    write_new_study(folder, shipped("hinge-lugs/study.toml").read_text(encoding="utf-8"))
    return read_study(folder)


def weld_demo(plan: Plan, *, seed: int) -> Callable[[Window], Judgement]:
    """Have the virtual welder fill in results.csv; return the judge that knows its truth."""
    import functools

    import numpy as np

    from doe.bench.stage import stage_path
    from doe.rehearsal import judge
    from doe.saving import write_text
    from doe.virtual import WELDERS, filled_table, weld_plan

    welder = WELDERS["hinge lugs"]
    results = weld_plan(plan, welder, rng=np.random.default_rng([seed, 2]))
    write_text(stage_path(plan.study.folder, "results", plan.stage), filled_table(plan, results))
    return functools.partial(judge, welder=welder)


def write_new_study(folder: Path, text: str) -> Path:
    """Write a new folder's study.toml."""
    from doe.saving import make_folder, write_text

    make_folder(folder)
    write_text(folder / "study.toml", text)
    return folder / "study.toml"


def write_annotated(study: Study, found: Examination) -> list[Path]:
    """Write a copy of each table with what was found beside its rows; the tables themselves stay as they are."""
    from doe.bench import annotated_copy
    from doe.saving import make_folder, write_text

    remarks = (*found.faults, *found.questions)
    folder = study.folder / "report"
    make_folder(folder)
    written = []
    for name in sorted({remark.file for remark in remarks if remark.file}):
        if not (study.folder / name).exists() or name.startswith("plan"):
            continue
        copy = folder / f"{Path(name).stem}-remarks.csv"
        write_text(copy, annotated_copy(study.folder / name, study, remarks))
        written.append(copy)
    return written
