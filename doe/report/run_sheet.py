"""The run sheet: the plan as paper to write on beside the machine."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Final

from doe.bench.root_depth import FROM_THE_ROOT, is_root_depth
from doe.planning.feasibility import WeldLoad, plan_loads
from doe.planning.plan import SECOND, Plan, PlannedWeld
from doe.planning.second_beads import second_bead_notes
from doe.report import cautions
from doe.report.formatting import asked_of, quantity, setting
from doe.report.labels import add_chalk_card, add_labels, plates_in_order
from doe.report.pdf import PaperSize, Sheet
from doe.report.weld_row import add_weld, row_mm
from doe.study.model import Response, Study
from doe.study.trips import is_breaker, what_counts
from doe.window.claim_file import ClaimFile, differences
from doe.window.words import box_words, frequency, level

SECOND_BEADS: Final = "second beads: count, do not cut"
"""What stands over a coupon of second beads."""


def run_sheet(plan: Plan, *, size: PaperSize = "A4", claim: ClaimFile | None = None) -> bytes:
    """Make the run sheet.

    Parameters
    ----------
    plan : Plan
    size : {"A4", "Letter"}
    claim : ClaimFile, optional
        What welds that confirm put to the test.

    Returns
    -------
    bytes
        A PDF: one block a plate in the order of welding, with the marks to set and blanks for every reading; then the
        chalk card, and labels to cut out. Where all welds confirm a claim it is named so, and says the rule first.
    """
    study = plan.study
    confirms = all(weld.role == "confirm" for weld in plan.welds)
    sheet = Sheet(
        f"{'Confirmation sheet' if confirms else 'Run sheet'}: {study.title}",
        foot=f"study {study.fingerprint}   seed {plan.seed}   stage {plan.stage}   {how_many_welds(plan)}",
        size=size,
    )
    sheet.add_page()
    _front(sheet, study, what_is_confirmed(plan, claim) if confirms else (), second=second_bead_notes(plan.welds))
    plates = plates_in_order(plan)
    watched = {load.weld: _watch_words(load) for load in plan_loads(plan) if load.is_heaviest}
    for number, welds in enumerate(plates, start=1):
        _plate(sheet, study, welds, place=f"plate {number} of {len(plates)}", watched=watched)
    add_chalk_card(sheet, plan)
    add_labels(sheet, plan)
    return bytes(sheet.output())


def how_many_welds(plan: Plan) -> str:
    """Count the welds of a plan, and its second beads apart."""
    second = f" and {len(plan.second_beads)} second beads" if plan.second_beads else ""
    return f"{len(plan.designed)} welds{second}"


def what_is_confirmed(plan: Plan, claim: ClaimFile | None) -> tuple[str, ...]:
    """Say which claim a plan's welds put to the test, what a good weld is, and the rule that was fixed beforehand."""
    study = plan.study
    asked = "; ".join(asked_of(response, study) for response in study.responses if response.has_requirement)
    n, allowed = len(plan.welds), 0
    lines = [f"A good weld: {asked}." if asked else ""]
    if claim is not None and not differences(claim, study):
        promise = f"at least {frequency(claim.claim.reliability)} welds good, {level(claim.claim.confidence)} sure"
        lines.insert(0, f"The claim: {box_words(study, claim.box(study))}; {promise}.")
        allowed = claim.rule.failures_allowed if claim.stage == plan.stage else 0
    may = "none may fail" if not allowed else f"at most {allowed} may fail"
    lines.append(
        f"The rule, fixed before the first arc: {n} welds at the settings below, {may}. Make and measure every one: a "
        "failure is data. Then weldwindow confirm gives the verdict."
    )
    return tuple(line for line in lines if line)


def _front(sheet: Sheet, study: Study, confirmed: tuple[str, ...], *, second: tuple[str, ...]) -> None:
    """Print what is confirmed, what is held, what to check and what to beware of."""
    job = [study.job.joint, study.job.material, study.job.wire]
    if study.job.thickness_mm:
        job.insert(1, f"{quantity(study.job.thickness_mm, 'mm', study.units)} thick")
    sheet.text_line(", ".join(part for part in job if part) or study.title, size=10)
    sheet.ln(1)
    y = sheet.get_y() + 4
    x = sheet.l_margin
    for label, width in (("date", 24), ("welder", 30), ("outlet", 20), ("cord", 26), ("spool", 18)):
        x = sheet.blank(x, y, label=label, width=width)
    sheet.set_y(y + 4)
    if confirmed:
        sheet.text_line("What these welds confirm", size=9, bold=True)
        for line in confirmed:
            sheet.text_line(line, size=8.5)
        sheet.ln(1)
    _ticks(sheet, "Before the first arc", cautions.BEFORE_THE_ARC)
    _ticks(sheet, "At every weld", cautions.BETWEEN_WELDS)
    for line in (*how_to_run(study), *second):
        sheet.text_line(f"• {line}", size=8)
    sheet.ln(1)
    sheet.text_line("Take care", size=9, bold=True)
    for line in (*cautions.ARC, *cautions.SUPPLY, *cautions.SECTION, *cautions.SCOPE):
        sheet.text_line(f"• {line}", size=7)
    sheet.ln(2)


def how_to_run(study: Study) -> tuple[str, ...]:
    """Say in sentences what a weld of this study needs: rest, arc time, lengths looked at."""
    lines = []
    if study.plan.welds_per_plate > 1 and study.plan.later_welds == "cooled":
        lines.append(
            "Before each weld let the plate come back to its set temperature, measured about 75 mm (3 in) from the "
            "joint; write it down."
        )
    elif study.plan.welds_per_plate > 1:
        lines.append("Later welds start on the warm plate: write the plate temperature down before every arc.")
    for response in study.responses:
        if response.kind == "trip":
            lines += _of_trips(study, response)
        if response.kind == "count":
            lines.append(
                f"Count {response.name} over the steady part, not the first and last 20 mm (3/4 in); write down how "
                "much of its length you looked at. More length tells more. What is something else (a wormhole, slag, "
                "spatter beside round pores) goes under notes."
            )
        if response.kind == "measure":
            where = f", {FROM_THE_ROOT}" if is_root_depth(response, study) else ""
            lines.append(
                f"Measure {response.name} on a section at mid-run{where}. A tripped weld has a steady part too: "
                "measure it."
            )
    return tuple(lines)


def _of_trips(study: Study, response: Response) -> Iterator[str]:
    """Say how long to hold the arc, and whose trips are meant."""
    if response.hold_s:
        meter = "Let the machine cool in between."
        if is_breaker(study, response):
            meter = (
                "Let the breaker cool in between; with a plug-in meter rated for it, read the line current of every "
                "weld."
            )
        yield (
            f"Hold the arc for {2 * response.hold_s:g} s where you can (twice the {response.hold_s:g} s asked; run "
            f"off onto a scrap piece), and write the arc time down, tripped or not. {meter}"
        )
    yield f"Under {response.name}: {what_counts(study, response)}."


def _ticks(sheet: Sheet, title: str, lines: tuple[str, ...]) -> None:
    """Print a title and tick boxes, wrapped over the width."""
    sheet.text_line(title, size=9, bold=True)
    x, y = sheet.l_margin, sheet.get_y() + 4
    for line in lines:
        sheet.set_font("house", "", 8)
        if x + sheet.get_string_width(line) + 8 > sheet.w - sheet.r_margin:
            x, y = sheet.l_margin, y + 5
        x = sheet.tick_box(x, y, label=line)
    sheet.set_y(y + 3)


def _plate(sheet: Sheet, study: Study, welds: list[PlannedWeld], *, place: str, watched: Mapping[str, str]) -> None:
    """Print one plate: its picture, what holds for all of it, one row a weld."""
    heights = [row_mm(sheet, study, is_watched=w.weld in watched, is_second=w.role == SECOND) for w in welds]
    if sheet.room_left() < 8 + sum(heights[:2]):
        sheet.add_page()
    top = sheet.get_y()
    sheet.rect(sheet.l_margin, top, sheet.epw, 7.5, style="D")
    held = [
        f"{factor.name} {setting(factor, welds[0].settings[j])}"
        for j, factor in enumerate(study.factors)
        if factor.hard_to_change
    ]
    second = [SECOND_BEADS] if welds[0].role == SECOND else []
    heading = "   ".join([f"{welds[0].plate}", *held, *([f"{welds[0].block}"] if welds[0].block else []), *second])
    sheet.fitted(sheet.l_margin + 2, top + 5.4, heading, width=sheet.epw - 34, size=13)
    sheet.text_at(sheet.w - sheet.r_margin - 28, top + 5, place, size=8)
    sheet.set_y(top + 8)
    for weld, height in zip(welds, heights, strict=True):
        if sheet.room_left() < height:
            sheet.add_page()
        add_weld(sheet, study, weld, beads=len(welds), watch=watched.get(weld.weld, ""))
    sheet.ln(2)


def _watch_words(load: WeldLoad) -> str:
    """Say of a weld that it loads the supply most, and how much where that is known."""
    ratio = load.breaker_ratio
    much = "" if ratio is None else f", about {ratio:.1f} times the breaker's rating"
    return f"loads the supply most{much}: watch the breaker"
