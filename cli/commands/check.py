"""``weldwindow check``."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from cli.answer import answers, changing, json_option, note, print_json, say, spare_seed_option, study_argument
from cli.progress import working

if TYPE_CHECKING:
    from doe.bench.reading import Examination
    from doe.bench.results import Results


@click.command("check")
@study_argument
@click.option("--annotate", is_flag=True, help="Also write a copy of each table with the remarks beside its rows.")
@click.option("--code", default="", metavar="NAME", help="Also check sections against “ISO 5817” or “AWS D1.1”.")
@click.option("--level", default="", metavar="B|C|D", help="Quality level of ISO 5817.")
@click.option("--leg", default="", metavar="SIZE", help="The leg the fillet was specified with: 6mm, 1/4in.")
@json_option
@spare_seed_option
@answers
def command(folder: Path, annotate: bool, as_json: bool, **asked: str) -> None:
    """Read the study and the results in DIR; list every fault, every conversion and every question.

    After scrapped or missing welds it also says what can still be learned, and which one redo helps most.

    Exit code 3: there are faults. Questions are no faults: nothing was changed or left out.

    \b
    Examples:
      weldwindow check hinge
      weldwindow check hinge --annotate
      weldwindow check hinge --code "ISO 5817" --level C --leg 6mm
    """
    from cli.code_check import print_verdicts, read_wanted
    from cli.steps import read_whole_study, write_annotated
    from doe.bench import examine_results
    from doe.bench.code_check import check_welds
    from doe.bench.reading_study import lacks_reading_scatter
    from doe.bench.rescue import rescue
    from doe.errors import INVALID_INPUT

    if not asked["code"] and (asked["level"] or asked["leg"]):
        message = "--level and --leg go with --code"
        raise click.UsageError(message)
    study = read_whole_study(folder)
    wanted = read_wanted(study, **asked) if asked["code"] else None
    with working("reading and checking", quiet=as_json):
        found = examine_results(folder, study)
        lost = () if found.results is None else rescue(found.results)
    verdicts = check_welds(found.results, wanted) if wanted is not None and found.results is not None else ()
    files = []
    if annotate:
        with changing(folder):
            files = write_annotated(study, found)
    if as_json:
        extra = {"rescue": [part.to_dict() for part in lost]}
        print_json(_answer(found) | extra | ({"code": [weld.to_dict() for weld in verdicts]} if wanted else {}))
    else:
        _print(found)
        if lost:
            say(("What lost welds mean:", *(f"  {line}" for part in lost for line in part.words)))
        if wanted is not None and found.results is not None:
            print_verdicts(verdicts, wanted)
    for path in files:
        note(f"wrote {path}")
    if found.faults:
        sys.exit(INVALID_INPUT)
    if found.results is not None and lacks_reading_scatter(found.results):
        note(f"how well does your reading repeat? weldwindow reading-study {folder} tells, if you like")
    note(f"next: weldwindow report {folder}")


def _answer(found: Examination) -> dict[str, object]:
    """Give the answer as JSON prints it; faults also as the refusal every command gives."""
    from doe.errors import INVALID_INPUT

    faults = [fault.to_dict() for fault in found.faults]
    answer: dict[str, object] = {
        "schema": 1,
        "welds": found.results.n_welds if found.results else None,
        "faults": faults,
        "conversions": [vars(conversion) for conversion in found.conversions],
        "questions": [question.to_dict() for question in found.questions],
    }
    if faults:
        message = f"The results cannot be used as they stand: {len(faults)} fault{'s' if len(faults) > 1 else ''}."
        answer["error"] = {"code": INVALID_INPUT, "message": message, "faults": faults}
    return answer


def _print(found: Examination) -> None:
    """Print faults, conversions and questions."""
    from doe.bench.alike import told_together

    if found.results is not None:
        say(f"{found.results.n_welds} welds read, no fault{_not_run(found.results)}.")
    for title, lines in (
        ("Faults, to be put right in the table:", found.faults),
        ("Please look at these again (nothing was changed or left out):", found.questions),
    ):
        if lines:
            say((title, *(f"  {line}" for line in lines)))
    if found.conversions:
        say("Read differently from how it stands there:")
        say(f"  {place}: {found} read as {read_as}" for place, found, read_as in told_together(found.conversions))


def _not_run(results: Results) -> str:
    """Name the welds that were not made."""
    waiting = [weld for weld, status in zip(results.weld, results.status, strict=True) if status == "not run"]
    if len(waiting) == results.n_welds:
        return "; none of them made yet"
    return f"; not run: {', '.join(waiting)}" if waiting else ""
