"""Writing the report's files: everything in ``report/`` can be deleted and made again."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

from doe.bench.results import Results
from doe.models.fit import Fit
from doe.planning.plan import Plan
from doe.report.card import setting_card
from doe.report.contents import every_figure, report_contents
from doe.report.figures import NARROW_COLUMNS, WIDE_COLUMNS, to_png, to_svg
from doe.report.page import render_page
from doe.report.run_sheet import run_sheet
from doe.saving import make_folder, write_bytes, write_text
from doe.study.model import Study
from doe.window.claim_file import ClaimFile, read_claim
from doe.window.claimed import window_with_claim
from doe.window.confirmation import Confirmation
from doe.window.window import Window

FOLDER = "report"
"""Where everything made goes, inside the study's folder."""


def write_run_sheet(plan: Plan, folder: Path | None = None, *, claim: ClaimFile | None = None) -> list[Path]:
    """Write a plan's run sheet as PDF, A4, or Letter where the study is in customary units.

    Parameters
    ----------
    plan : Plan
    folder : Path, optional
        Where to, made where it does not exist; ``report`` in the study's folder unless another is named.
    claim : ClaimFile, optional
        What welds that confirm put to the test; the one that stands in the study's folder unless another is given.

    Raises
    ------
    CannotWriteError
        If it cannot be written.
    """
    own = plan.study.folder / FOLDER
    folder, within = (own, plan.study.folder) if folder is None or folder == own else (folder, None)
    make_folder(folder, within=within)
    name = "run-sheet.pdf" if plan.stage == 1 else f"run-sheet-{plan.stage}.pdf"
    if claim is None and any(weld.role == "confirm" for weld in plan.welds):
        claim = read_claim(plan.study.folder)
    data = run_sheet(plan, size="Letter" if plan.study.units == "us" else "A4", claim=claim)
    write_bytes(folder / name, data, within=within)
    return [folder / name]


def write_figures(fit: Fit, window: Window, folder: Path) -> list[Path]:
    """Write every figure of the report as SVG and PNG, wide for paper and narrow for a phone.

    Parameters
    ----------
    fit : Fit
    window : Window
        Found from the same fit.
    folder : Path
        Made where it does not exist.

    Returns
    -------
    list of Path
        The same bytes for the same input.

    Raises
    ------
    CannotWriteError
        If a file cannot be written.
    """
    make_folder(folder)
    written = []
    for drawn in every_figure(fit, window):
        for shape, columns in (("wide", WIDE_COLUMNS), ("narrow", NARROW_COLUMNS)):
            figure = drawn.whole(columns)
            stem = folder / f"{file_stem(drawn.name)}-{shape}"
            write_text(stem.with_name(f"{stem.name}.svg"), to_svg(figure))
            write_bytes(stem.with_name(f"{stem.name}.png"), to_png(figure))
            written += [stem.with_name(f"{stem.name}.{kind}") for kind in ("svg", "png")]
    return written


def file_stem(name: str) -> str:
    """Make a file's stem of a figure's name: letters, digits and hyphens.

    Examples
    --------
    >>> file_stem("curves-root fused/2")
    'curves-root-fused-2'
    """
    return re.sub(r"[^\w-]+", "-", name).strip("-")


def write_report(  # noqa: PLR0913 - the public interface names them
    study: Study,
    plan: Plan | Sequence[Plan] | None,
    results: Results,
    fit: Fit,
    window: Window,
    folder: Path | str,
    *,
    confirmation: Confirmation | None = None,
) -> list[Path]:
    """Write the report page, the setting card and the run sheets.

    Parameters
    ----------
    study : Study
    plan : Plan or sequence of Plan or None
        One a stage; none where the welds were made without one.
    results : Results
    fit : Fit
    window : Window
    folder : Path or str
        Made where it does not exist.
    confirmation : Confirmation, optional
        Of the study's claim (``doe.window.standing_confirmation``): page and card then show the claimed window while
        its claim can be shown, with where it stands. A window that has its standing already
        (``doe.window.claimed_window``) is shown as it is.

    Returns
    -------
    list of Path
        The page first.

    Raises
    ------
    CannotWriteError
        If a file cannot be written.
    """
    folder = Path(folder)
    if confirmation is not None and window.standing is None:
        window = window_with_claim(fit, window, confirmation, seed=fit.seed)
    make_folder(folder)
    page, card = folder / "report.html", folder / "setting-card.pdf"
    write_text(page, render_page(report_contents(fit, window)))
    write_bytes(card, setting_card(window, results, size="index card" if study.units == "us" else "A6"))
    stages = [plan] if isinstance(plan, Plan) else plan or ()
    sheets = [path for stage in stages for path in write_run_sheet(stage, folder)]
    return [page, card, *sheets]
