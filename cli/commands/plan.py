"""``weldwindow plan``."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from cli.answer import answers, changing, json_option, print_json, say, seed_option, study_argument, wrote
from cli.progress import progress

if TYPE_CHECKING:
    from doe.planning.afford import Budget
    from doe.planning.sizes import SizeRow
    from doe.rehearsal.how_many import SimulatedSize
    from doe.study.model import Study

EDGES_SAID = (
    "Weld each bead on scrap for a few seconds, in the order of the table; where E1 or E2 ran, the bead half-way to "
    "the middle may be left out. Write yes or no under ran.",
    "The usual protection applies. A breaker that trips is left to cool before it is switched on again; it is never "
    "replaced by a larger one or bypassed.",
)
"""What is said with the throw-away beads."""


@click.command("plan")
@study_argument
@click.option("--replace", is_flag=True, help="Keep filled-in files beside under a number, and make new ones.")
@click.option(
    "--design",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="Score the plan in this CSV instead of making one.",
)
@click.option(
    "--how-many",
    is_flag=True,
    help="Compare 8 to 30 welds instead: half-width, power, cost, and the simulated chance and size of a window.",
)
@click.option(
    "--simulate/--no-simulate",
    default=None,
    help="With --how-many: simulate the chance of a window (a minute or two, the default), or leave that out.",
)
@click.option(
    "--jobs", type=click.IntRange(1, 1024), help="With --how-many: how many processes; every processor unless said."
)
@click.option("--afford", metavar="BUDGET", help="Plan the most welds for “90 min”, “12 plates” or “20 welds”.")
@click.option(
    "--choose",
    type=click.IntRange(2, 20),
    metavar="N",
    help="Plan N times; of near-equal plans take the one that finds the largest window in simulation (minutes).",
)
@click.option("--edges", is_flag=True, help="Find the edges with 3 to 5 throw-away beads; run again when filled in.")
@json_option
@seed_option
@answers
def command(folder: Path, replace: bool, as_json: bool, seed: int, **asked: Any) -> None:
    """Plan the test welds of the study in DIR.

    Writes plan.csv, a blank results.csv and the run sheet, and says what the plan can tell and what it costs.

    \b
    Examples:
      weldwindow plan hinge
      weldwindow plan hinge --seed 7 --replace
      weldwindow plan hinge --design mine.csv
      weldwindow plan hinge --how-many
      weldwindow plan hinge --how-many --no-simulate
      weldwindow plan hinge --afford "12 plates"
      weldwindow plan hinge --choose 4
      weldwindow plan hinge --edges
    """
    from cli.steps import read_whole_study
    from doe.planning.afford import read_budget

    _refuse_contradictions(asked)
    study = read_whole_study(folder)
    if asked["design"] is not None:
        _score(asked["design"], study, as_json=as_json)
    elif asked["how_many"]:
        _compare_sizes(study, simulate=asked["simulate"], jobs=asked["jobs"], as_json=as_json, seed=seed)
    elif asked["edges"]:
        _find_edges(study, replace=replace, as_json=as_json)
    elif asked["choose"]:
        _choose(study, asked["choose"], replace=replace, as_json=as_json, seed=seed)
    else:
        budget = None if asked["afford"] is None else read_budget(asked["afford"])
        _plan(study, budget, replace=replace, as_json=as_json, seed=seed)


def _refuse_contradictions(asked: dict[str, Any]) -> None:
    """Refuse options that ask for two different things at once."""
    given = [
        f"--{name.replace('_', '-')}" for name in ("design", "how_many", "afford", "choose", "edges") if asked[name]
    ]
    if len(given) > 1:
        message = f"{' and '.join(given)} ask for different things; give one of them"
        raise click.UsageError(message)
    if asked["simulate"] is not None and not asked["how_many"]:
        message = f"{'--simulate' if asked['simulate'] else '--no-simulate'} goes with --how-many"
        raise click.UsageError(message)
    if asked["jobs"] and (not asked["how_many"] or asked["simulate"] is False):
        message = "--jobs goes with --how-many where it simulates"
        raise click.UsageError(message)


def _plan(study: Study, budget: Budget | None, *, replace: bool, as_json: bool, seed: int) -> None:
    """Plan the welds, as many as the budget is enough for where there is one, and write the files."""
    from cli.steps import make_plan, weld_next, write_plan
    from doe.bench.stage import refuse_to_overwrite
    from doe.planning.afford import afford

    with changing(study.folder), progress("planning", quiet=as_json) as report:
        if not replace:
            refuse_to_overwrite(study.folder, stage=1)
        found = None if budget is None else afford(study, budget, seed=seed, progress=report)
        planned = make_plan(study if found is None else found.study, seed=seed, progress=report)
        files = write_plan(planned.plan, replace=replace)
    if as_json:
        print_json(planned.to_dict() | ({} if found is None else {"afford": found.to_dict()}))
    else:
        say((*(() if found is None else found.words()), *planned.words(), *planned.engineers_words()))
    wrote(files, weld_next(study.folder, 1))


def _choose(study: Study, tries: int, *, replace: bool, as_json: bool, seed: int) -> None:
    """Plan from several seeds, simulate the near-equal plans on every processor, and write the best of them."""
    import joblib

    from cli.steps import judge_plan, weld_next, write_plan
    from doe.bench.stage import refuse_to_overwrite
    from doe.planning.near_equal import near_equal_plans
    from doe.rehearsal.choosing import choice_words, simulate_plans

    if not replace:
        refuse_to_overwrite(study.folder, stage=1)
    with progress("planning", quiet=as_json) as report:
        plans = near_equal_plans(study, seed=seed, tries=tries, progress=report)
    with progress("simulating studies", quiet=as_json) as report:
        ranked = simulate_plans(plans, jobs=joblib.cpu_count(), seed=seed, progress=report)
    planned = judge_plan(ranked[0].plan)
    files = write_plan(planned.plan, replace=replace)
    if as_json:
        print_json(planned.to_dict() | {"choice": [row.to_dict() for row in ranked]})
    else:
        say((*choice_words(ranked, tries=tries), *planned.words(), *planned.engineers_words()))
    wrote(files, weld_next(study.folder, 1))


def _score(design: Path, study: Study, *, as_json: bool) -> None:
    """Score a plan from elsewhere by the same measures."""
    from doe.planning import quality_words, read_design
    from doe.planning.words import for_an_engineer

    table = read_design(design, study)
    quality = table.score()
    if as_json:
        print_json({"schema": 1, "quality": quality.to_dict(), "notes": list(table.notes)})
    else:
        say((*quality_words(study, quality), *table.notes, *for_an_engineer(quality)))


def _find_edges(study: Study, *, replace: bool, as_json: bool) -> None:
    """Write the throw-away beads, or, where they are filled in, suggest the limits that they show."""
    from doe.planning.edges import FILE, edge_beads, read_edges, suggest_limits, write_edges

    if replace or not (study.folder / FILE).exists():
        with changing(study.folder):
            beads, path = edge_beads(study), write_edges(study, replace=replace)
        if as_json:
            print_json({"schema": 1, "files": [path], "beads": [bead.to_dict(study) for bead in beads]})
        else:
            say(EDGES_SAID)
        wrote([path], f"weld the beads, fill in {path}; then weldwindow plan {study.folder} --edges again")
        return
    limits, notes = suggest_limits(study, read_edges(study))
    if as_json:
        print_json({"schema": 1, "limits": [vars(limit) for limit in limits], "notes": list(notes)})
    else:
        say((*notes, *(limit.to_toml() for limit in limits)))
    paste = f"paste the limits into {study.folder / 'study.toml'}; then " if limits else ""
    wrote([], f"{paste}weldwindow plan {study.folder}")


def _compare_sizes(study: Study, *, simulate: bool | None, jobs: int | None, as_json: bool, seed: int) -> None:
    """Compare numbers of welds; no plan is written."""
    from doe.planning import how_many
    from doe.report.how_many_figure import write_how_many

    with progress("comparing numbers of welds", quiet=as_json) as report:
        rows = how_many(study, seed=seed, progress=report)
    simulated, why_not = _simulate(study, simulate=simulate, jobs=jobs, as_json=as_json, seed=seed)
    with changing(study.folder):
        files = write_how_many(study, rows, simulated)
    if as_json:
        answer: dict[str, object] = {"schema": 1, "seed": seed, "sizes": [row.to_dict() for row in rows]}
        if simulate is not False:
            answer |= {"simulated": [row.to_dict() for row in simulated], "not_simulated": why_not or None}
        print_json(answer)
    else:
        _print_sizes(study, rows, simulated)
        say((f"The chance of a window was not simulated: {why_not}.",) if why_not else ())
    wrote(files, f"set [plan] welds in {study.folder / 'study.toml'}; then weldwindow plan {study.folder}")


def _simulate(
    study: Study, *, simulate: bool | None, jobs: int | None, as_json: bool, seed: int
) -> tuple[tuple[SimulatedSize, ...], str]:
    """Simulate the chance of a window, on every processor unless told otherwise; else say why it cannot be.

    Where it was asked for by name and cannot be, that is the answer; where it only comes with the comparison, the
    comparison stands without it.
    """
    if simulate is False:
        return (), ""
    import joblib

    from doe.errors import CannotAnswerError
    from doe.rehearsal import how_many

    try:
        with progress("simulating studies", quiet=as_json) as report:
            return how_many.simulate_sizes(study, jobs=jobs or joblib.cpu_count(), seed=seed, progress=report), ""
    except CannotAnswerError as refusal:
        if simulate:
            raise
        return (), refusal.message


def _print_sizes(study: Study, rows: Sequence[SizeRow], simulated: Sequence[SimulatedSize]) -> None:
    """Print the comparison as a table, and say what its columns are."""
    from cli.tables import print_table

    possible = [row for row in rows if not row.refused]
    if possible:
        headings = ["welds", "±", "power", "plates", "welding", "bench", *(("window", "share") if simulated else ())]
        print_table(headings, _cells(study, possible, simulated))
    say(_sizes_words(study, rows, simulated))


def _cells(study: Study, rows: Sequence[SizeRow], simulated: Sequence[SimulatedSize]) -> Iterator[list[str]]:
    """Write the rows of the comparison; what is not known stays blank."""
    from math import isnan

    from doe.report.how_many_figure import half_widths

    chances = {row.welds: row for row in simulated if not row.refused}
    for row, width in zip(rows, half_widths(study, rows)[1], strict=True):
        cells = [f"{row.welds} (knee)" if row.is_knee else f"{row.welds}", "" if isnan(width) else f"{width:#.2g}"]
        cells.append("" if row.power is None else f"{row.power:.0%}")
        cost = row.cost
        cells.append("" if cost is None else f"{cost.plates}")
        cells.append("" if cost is None or cost.elapsed_min is None else _hours(cost.elapsed_min))
        cells.append("" if cost is None or not cost.bench_min else _hours(cost.bench_min))
        if simulated:
            found = chances.get(row.welds)
            cells += ["", ""] if found is None else [f"{found.chance:.0%}", f"{found.share:.0%}"]
        yield cells


def _hours(minutes: float) -> str:
    """Write a time in hours, short enough for a narrow table."""
    return f"{minutes / 60:.1f} h"


def _sizes_words(study: Study, rows: Sequence[SizeRow], simulated: Sequence[SimulatedSize]) -> Iterator[str]:
    """Say what the columns are, which sizes cannot be planned and why, and where the knee is."""
    from doe.planning.power import DIFFERENCE
    from doe.report.how_many_figure import half_widths

    refused = [row for row in rows if row.refused]
    if len(refused) < len(rows):
        yield (
            f"{half_widths(study, rows)[0]}: half-width of the 90 % confidence band of the mean, averaged over the "
            f"region. Power: the lowest chance over the factors to see a difference of {DIFFERENCE:g} times the "
            "scatter between the ends of a range. Welding: with rests. Bench: cutting, etching and measuring. All "
            "welds made at once and without blocks, from a quick search: the plan you make may be a little better."
            + (" Plates and welding are those of the second beads too." if study.plan.second_bead else "")
        )
    if simulated:
        yield (
            f"Window: chance that one can be claimed, on {max(row.studies for row in simulated)} simulated machines "
            "that have good settings; share: how much of the good settings it holds, on average."
        )
    if refused:
        yield f"{_listed([row.welds for row in refused])} welds: {refused[-1].refused}"
    knee = [row.welds for row in rows if row.is_knee]
    yield f"The knee is at {knee[0]} welds: each weld more brings clearly less." if knee else "There is no clear knee."


def _listed(numbers: Sequence[int]) -> str:
    """Write numbers that follow one another as a range."""
    return f"{numbers[0]} to {numbers[-1]}" if len(numbers) > 1 else f"{numbers[0]}"
