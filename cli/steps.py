"""The steps of the work, shared by the commands: each calls the library once and says what was written."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

    from doe.bench.reading import Examination
    from doe.bench.results import Results
    from doe.models.diagnostics import Diagnosis
    from doe.models.fit import Fit
    from doe.planning.budget import Cost
    from doe.planning.feasibility import WeldLoad
    from doe.planning.plan import Plan
    from doe.planning.quality import PlanQuality
    from doe.rehearsal import Judgement
    from doe.study.model import Study
    from doe.window.claim_file import ClaimFile
    from doe.window.confirmation import Confirmation
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
        from doe.planning.telling import tells_more
        from doe.planning.words import unstated_scatter

        return {
            "schema": 1,
            **self.plan.to_dict(),
            "quality": self.quality.to_dict(),
            "cost": self.cost.to_dict(),
            "feasibility": [load.to_dict() for load in self.loads],
            "tells_more": list(tells_more(self.plan.study)),
            "no_claim_yet": list(unstated_scatter(self.plan)),
        }

    def words(self) -> tuple[str, ...]:
        """Say what the plan can tell, what it costs, and which welds to watch."""
        from doe.planning import plan_words
        from doe.planning.feasibility import load_words
        from doe.planning.telling import HEADING, tells_more

        more = tells_more(self.plan.study)
        heading = (HEADING,) if more else ()
        return (*plan_words(self.plan, self.quality, self.cost), *load_words(self.loads), *heading, *more)

    def engineers_words(self) -> tuple[str, ...]:
        """Say what whoever has to defend the plan asks."""
        from doe.planning.words import for_an_engineer

        return for_an_engineer(self.quality)


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
    """Write plan.csv, results.csv, and the sheets and pages to weld and measure by.

    Where one of them cannot be written, none is. A later stage's plan comes last: killed before, the command can
    simply be given again. The first stage's may be planned again at any time, as long as nothing is filled in.
    """
    from doe.bench.stage import refuse_to_overwrite, write_stage
    from doe.saving import all_or_nothing

    with all_or_nothing():
        if plan.stage == 1:
            return [*write_stage(plan, replace=replace), *write_sheets(plan)]
        refuse_to_overwrite(plan.study.folder, stage=plan.stage)
        sheets = write_sheets(plan)
        return [*write_stage(plan, replace=replace), *sheets]


def write_sheets(plan: Plan, *, claim: ClaimFile | None = None) -> list[Path]:
    """Write a stage's run sheet on paper and as a workbook, its bench page and its macro page.

    A claim that is about to be written with them is given; one that stands in the folder is found there.
    """
    from doe.bench.workbook_form import write_workbook_form
    from doe.report import write_bench_page, write_macro_page, write_run_sheet

    sheets = [*write_run_sheet(plan, claim=claim), *write_workbook_form(plan)]
    return [*sheets, *write_bench_page(plan), *write_macro_page(plan)]


def weld_next(folder: Path, stage: int) -> str:
    """Say what is to be done about a stage that was planned: weld it, or have it welded where it is for practice."""
    from doe.bench.practice_file import how_to_make
    from doe.bench.stage import stage_path

    return f"{how_to_make(folder, str(stage_path(folder, 'results', stage)))}; then weldwindow go {folder}"


def lacks_sheets(plan: Plan) -> bool:
    """Whether the writing of a stage's sheets was cut short: the last of them is not there."""
    name = "macro.html" if plan.stage == 1 else f"macro-{plan.stage}.html"
    return not (plan.study.folder / "report" / name).exists()


def read_folder(folder: Path) -> Results:
    """Read the study and every table of results in its folder."""
    from doe.bench import read_results

    return read_results(folder, read_whole_study(folder))


def read_whole_study(folder: Path) -> Study:
    """Read the study, and the scatter that it takes from an earlier one."""
    from doe.study import read_study

    study = read_study(folder)
    if not any(response.scatter_from for response in study.responses):
        return study
    from doe.models import carry_scatter

    return carry_scatter(study)


def fit_and_find(folder: Path, *, seed: int, textbook: bool = False) -> tuple[Fit, Window]:
    """Read, fit, and find the window."""
    return _fit_and_find(read_folder(folder), seed=seed, textbook=textbook)


def _fit_and_find(results: Results, *, seed: int, textbook: bool = False) -> tuple[Fit, Window]:
    """Fit, and find the window."""
    from doe.models import fit_responses
    from doe.window import find_window

    fit = fit_responses(results, seed=seed, textbook=textbook)
    return fit, find_window(fit, seed=seed)


def answer_anew(folder: Path, *, seed: int) -> Window:
    """Read, fit, and give the window as the report shows it: the claimed one where a claim stands."""
    return _answer_anew(read_folder(folder), seed=seed)[1]


def _answer_anew(results: Results, *, seed: int) -> tuple[Fit, Window, Confirmation | None]:
    """Fit, find the window, and judge its claim."""
    from doe.window import claimed_window

    fit, found = _fit_and_find(results, seed=seed)
    return fit, *claimed_window(fit, found, seed=seed)


@dataclass(frozen=True, eq=False)
class Reported:
    """What a report says, and the files it was written to."""

    window: Window
    confirmation: Confirmation | None
    files: list[Path]

    def to_dict(self) -> dict[str, object]:
        """Give the answer as ``report --json`` prints it."""
        confirmation = None if self.confirmation is None else self.confirmation.to_dict()
        return {
            "schema": 1,
            "files": self.files,
            "window": self.window.to_dict(),
            "confirmation": confirmation,
        }

    def words(self) -> tuple[str, ...]:
        """Give the answer in plain sentences, where its claim stands first."""
        from doe.report.answering import standing_lines, terminal_lines

        return (*standing_lines(self.window), *terminal_lines(self.window))


@dataclass(frozen=True, eq=False)
class Checked:
    """A fit, and what the checks of its models say."""

    fit: Fit
    diagnoses: tuple[Diagnosis, ...]

    def to_dict(self) -> dict[str, object]:
        """Give both as ``fit --json`` prints them: each response with its ``diagnosis``."""
        answer = self.fit.to_dict()
        parts = dict(answer["responses"])  # type: ignore[call-overload]
        for found in self.diagnoses:
            parts[found.response] = {**parts[found.response], "diagnosis": found.to_dict()}
        return {**answer, "responses": parts}


def fit_and_check(folder: Path, *, seed: int, textbook: bool) -> Checked:
    """Read, fit, and check the models."""
    from doe.models import diagnose, fit_responses

    fit = fit_responses(read_folder(folder), seed=seed, textbook=textbook)
    return Checked(fit, diagnose(fit))


def make_report(folder: Path, *, seed: int, figures: Path | None = None) -> Reported:
    """Read, fit, find the window, judge its claim; write report, card and answer, and the figures where asked."""
    from cli.answer import plain
    from doe.bench import read_results
    from doe.bench.answer_file import made_from, write_answer
    from doe.bench.stage import read_plans
    from doe.report import write_figures, write_report
    from doe.report.answering import said

    study = read_whole_study(folder)
    files = made_from(folder)  # before they are read: what is saved meanwhile makes a new report due
    results = read_results(folder, study)
    fit, window, confirmation = _answer_anew(results, seed=seed)
    plans = read_plans(results.study)
    written = write_report(results.study, plans, results, fit, window, folder / "report", confirmation=confirmation)
    if figures is not None:
        written += write_figures(fit, window, figures)
    held = plain(Reported(window, confirmation, []).to_dict())
    if confirmation is None and window.standing is not None:
        held["confirmation"] = {"verdict": "for another question", "stands": False}
    answer = write_answer(
        folder, files=files, said=said(window), window=held["window"], confirmation=held["confirmation"]
    )
    return Reported(window, confirmation, [*written, answer])


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
