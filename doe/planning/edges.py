"""The pre-scan: a few throw-away beads along voltage and feed, and the limit that they suggest.

The beads stand in the corners where each kind of trouble is expected first: the lowest voltage with the highest feed
(stubbing), the highest voltage with the lowest feed (burn-back), both highest (trip); then half-way back to the middle
of the region from the first two. Common practice, no source.
"""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
from scipy.optimize import linprog

from doe.coding import FloatArray
from doe.errors import CannotAnswerError, DoeError, Fault, ResultsError, WouldOverwriteError, quoted
from doe.numerals import parse_number
from doe.planning.plan import factor_headings, setting_value
from doe.planning.reading import cells_of
from doe.planning.region import allowed
from doe.planning.table import plain_cell, safe_cell
from doe.saving import keep_copy, write_text
from doe.study.model import Factor, Study
from doe.units import printed_unit

FILE: Final = "edges.csv"
EDGES: Final = (("stubbing", -1, 1, 1.0), ("burn-back", 1, -1, 1.0), ("trip", 1, 1, 1.0))
HALF_WAY: Final = (("stubbing", -1, 1, 0.5), ("burn-back", 1, -1, 0.5))
"""What a bead looks for, the end of voltage and of feed, and how far from the middle."""
SHARE_OF_GAP: Final = {"stubbing": 1 / 3, "burn-back": 1 / 3, "trip": 1 / 2}
"""Where in the gap between the beads that ran and those that did not the limit lies. Our planning values, measured on
simulated bands: a plan welds on its limits, so half-way loses too many welds at the sides of a band; at its upper end,
where only one bead looks, a third cuts off too much of what can be used."""
_RAN: Final = {"yes": True, "y": True, "no": False, "n": False, "": None}


@dataclass(frozen=True)
class EdgeBead:
    """One throw-away bead.

    Attributes
    ----------
    bead : str
        ``E1``, ``E2`` ...
    edge : {"stubbing", "burn-back", "trip"}
        What it looks for.
    settings : tuple of float
        Natural value a factor, in the study's order.
    ran : bool or None
        None: not welded.
    why : str
    """

    bead: str
    edge: str
    settings: tuple[float, ...]
    ran: bool | None = None
    why: str = ""

    def to_dict(self, study: Study) -> dict[str, object]:
        """Give the bead as ``plan --edges --json`` prints it."""
        pairs = zip(study.factors, self.settings, strict=True)
        return {"bead": self.bead, "edge": self.edge, "settings": {f.name: setting_value(f, v) for f, v in pairs}}


@dataclass(frozen=True)
class SuggestedLimit:
    """A rule for study.toml that keeps every bead that ran and cuts the ones at one edge that did not."""

    rule: str
    why: str

    def to_toml(self) -> str:
        """Give it ready to paste into study.toml."""
        return f"[[limit]]\nrule = {_toml_text(self.rule)}\nwhy = {_toml_text(self.why)}\n"


def _toml_text(text: str) -> str:
    """Write a TOML string: what JSON escapes, TOML escapes the same way."""
    return json.dumps(text, ensure_ascii=False)


def edge_beads(study: Study) -> tuple[EdgeBead, ...]:
    """Choose the beads: what is preheated stays cold, all else is in the middle.

    Raises
    ------
    CannotAnswerError
        If the study has no dials for voltage and feed, or its limits leave fewer than three beads.
    """
    pair = _pair(study)
    beads: list[EdgeBead] = []
    for edge, up, forward, share in (*EDGES, *HALF_WAY):
        settings = _settings(study, pair, (up * share, forward * share))
        known = any(settings == bead.settings for bead in beads)
        if allowed(study, [settings])[0] and not known:
            beads.append(EdgeBead(f"E{len(beads) + 1}", edge, settings))
    if len(beads) < 3:
        message = "The limits of study.toml already cut off the edges: fewer than three beads are left to weld."
        raise CannotAnswerError(message)
    return tuple(beads)


def _pair(study: Study) -> tuple[Factor, Factor]:
    """Give the factors of voltage and feed."""
    voltage, feed = study.factor_of_role("voltage"), study.factor_of_role("feed")
    if voltage is None or feed is None:
        message = "The edges are looked for along voltage and feed, and the study varies only one of them, or neither."
        raise CannotAnswerError(message)
    return voltage, feed


def _settings(study: Study, pair: tuple[Factor, Factor], place: tuple[float, float]) -> tuple[float, ...]:
    """Give a bead's settings: voltage and feed at a coded place, the nearest that can be dialled in."""
    chosen = []
    for factor in study.factors:
        if factor in pair:
            wanted = factor.low + (1 + place[pair.index(factor)]) / 2 * (factor.high - factor.low)
            chosen.append(float(factor.positions[np.argmin(np.abs(factor.positions - wanted))]))
        elif factor.is_kind or factor.role == "preheat":
            chosen.append(float(factor.positions[0]))
        else:
            chosen.append(float(factor.positions[len(factor.positions) // 2]))
    return tuple(chosen)


def edges_table(study: Study, beads: Sequence[EdgeBead]) -> str:
    """Write edges.csv, ``ran`` and ``why`` blank; the same beads give the same bytes."""
    text = io.StringIO()
    text.write("# ran: yes or no; why: what went wrong. Leave a bead that was not welded blank.\n")
    writer = csv.writer(text, lineterminator="\n")
    headings = [heading for factor in study.factors for heading in factor_headings(factor)]
    writer.writerow(["bead", "looks for", *map(safe_cell, headings), "ran", "why"])
    for bead in beads:
        cells = [c for f, v in zip(study.factors, bead.settings, strict=True) for c in _cells(f, v)]
        writer.writerow([bead.bead, bead.edge, *map(safe_cell, cells), "", ""])
    return text.getvalue()


def _cells(factor: Factor, value: float) -> list[str]:
    """Write one setting under each of its headings."""
    shown = setting_value(factor, value)
    number = shown if isinstance(shown, str) else f"{shown:.12g}"
    mark = factor.mark_at(value) or number
    return [mark if heading.endswith(" mark") else number for heading in factor_headings(factor)]


def write_edges(study: Study, *, replace: bool = False) -> Path:
    """Write a blank edges.csv.

    Raises
    ------
    WouldOverwriteError
        If there is one and ``replace`` is False; with it the old one is kept beside under a number.
    """
    path = study.folder / FILE
    table = edges_table(study, edge_beads(study))
    if path.exists() and not replace:
        message = f"{FILE} is there and is not overwritten; “--replace” keeps it beside under a number"
        raise WouldOverwriteError(message)
    if path.exists():
        keep_copy(path)
    write_text(path, table)
    return path


def read_edges(study: Study) -> tuple[EdgeBead, ...]:
    """Read edges.csv as it was filled in.

    Raises
    ------
    ResultsError
        Every fault with its row.
    """
    pair = _pair(study)
    try:
        lines = (study.folder / FILE).read_bytes().decode("utf-8-sig").splitlines()
    except UnicodeDecodeError as error:
        message = f"{FILE} is not text in UTF-8: save it from the spreadsheet as CSV UTF-8"
        raise ResultsError(message) from error
    rows = [(i, line) for i, line in enumerate(lines, start=1) if line.strip() and not line.startswith("#")]
    separator = max(",;\t", key=rows[0][1].count) if rows else ","
    cells = [[plain_cell(cell) for cell in cells_of(line, separator)] for _, line in rows]
    missing = [
        h
        for h in ("bead", "looks for", *(factor_headings(f)[-1] for f in pair), "ran", "why")
        if not cells or h not in cells[0]
    ]
    if missing:
        message = f"{FILE} lacks the column{'s' if len(missing) > 1 else ''} {', '.join(missing)}"
        raise ResultsError(message)
    faults: list[Fault] = []
    beads = [
        _bead(study, pair, dict(zip(cells[0], row, strict=False)), Faulty(i, faults))
        for (i, _), row in zip(rows[1:], cells[1:], strict=True)
    ]
    if faults:
        message = f"{FILE} has {len(faults)} fault{'s' if len(faults) > 1 else ''}"
        raise ResultsError(message, faults)
    return tuple(beads)


@dataclass(frozen=True)
class Faulty:
    """Where faults of one row are noted."""

    row: int
    faults: list[Fault]

    def add(self, column: str, message: str) -> None:
        """Note one."""
        self.faults.append(Fault(message, FILE, self.row, column))


def _bead(study: Study, pair: tuple[Factor, Factor], row: dict[str, str], faulty: Faulty) -> EdgeBead:
    """Read one bead; of the settings only voltage and feed count."""
    settings = [factor.low for factor in study.factors]
    for factor in pair:
        heading = factor_headings(factor)[-1]
        try:
            settings[study.factors.index(factor)] = _value(factor, heading, row.get(heading, ""))
        except DoeError as error:
            faulty.add(heading, error.message)
    ran = row.get("ran", "").casefold()
    if ran not in _RAN:
        faulty.add("ran", f"{quoted(ran)} is neither yes nor no")
    return EdgeBead(row["bead"], row.get("looks for", ""), tuple(settings), _RAN.get(ran), row.get("why", ""))


def _value(factor: Factor, heading: str, cell: str) -> float:
    """Read one setting: a mark by its value, else a number."""
    if heading.endswith(" mark") and cell in factor.marks:
        return factor.values[factor.marks.index(cell)]
    return parse_number(cell)


def suggest_limits(study: Study, beads: Sequence[EdgeBead]) -> tuple[tuple[SuggestedLimit, ...], tuple[str, ...]]:
    """Suggest a limit for each edge at which a bead did not run.

    Returns
    -------
    limits : tuple of SuggestedLimit
        Each keeps every bead that ran, and the middle of the region, and cuts every bead at its edge that did not run.
    notes : tuple of str
        Where no straight line does that, where nothing needs cutting, and where no bead ran at all.

    Raises
    ------
    CannotAnswerError
        If no bead is filled in.
    """
    if all(bead.ran is None for bead in beads):
        message = f"No bead in {FILE} has yes or no under “ran” yet: weld them and fill it in."
        raise CannotAnswerError(message)
    pair = _pair(study)
    kept = [*(bead for bead in beads if bead.ran), *_middle(study, pair, beads)]
    limits, notes = [], []
    for edge in dict.fromkeys(bead.edge for bead in beads if bead.ran is False):
        failed = [bead for bead in beads if bead.edge == edge and bead.ran is False]
        normal = None if not kept else _normal(edge, _coded(study, pair, kept), _coded(study, pair, failed))
        if normal is None:
            notes.append(f"No straight line parts the beads that ran from those that did not ({edge}).")
        else:
            why = next((bead.why for bead in failed if bead.why), edge)
            limits.append(SuggestedLimit(_rule(study, pair, normal, (kept, failed)), why))
    if limits and not any(bead.ran for bead in beads):
        notes.append(_nothing_ran(study, pair, kept[0]))
    if not limits and not notes:
        notes.append("Every bead that was welded ran: no limit is needed.")
    return tuple(limits), tuple(notes)


def _middle(study: Study, pair: tuple[Factor, Factor], beads: Sequence[EdgeBead]) -> list[EdgeBead]:
    """Give a bead in the middle, which counts as one that ran unless a limit or a bead speaks against it.

    On a band narrower than the beads' spacing no bead runs, and nobody studies a region whose middle is not weldable.
    """
    middle = EdgeBead("", "", _settings(study, pair, (0.0, 0.0)), ran=True)
    place = _natural(study, pair, [middle])
    failed = _natural(study, pair, [bead for bead in beads if bead.ran is False])
    contradicted = bool(np.isclose(failed, place).all(axis=1).any())
    return [middle] if allowed(study, [middle.settings])[0] and not contradicted else []


def _nothing_ran(study: Study, pair: tuple[Factor, Factor], middle: EdgeBead) -> str:
    """Say what the limits lean on where no bead ran."""
    values = zip(pair, _natural(study, pair, [middle])[0], strict=True)
    where = " with ".join(
        f"{f.name} {f.mark_at(v) or f'{v:.12g}'} {'' if f.marks else printed_unit(f.unit)}".rstrip() for f, v in values
    )
    return f"No bead ran: the limits take it that the middle of the region does. Weld {where} on scrap before planning."


def _natural(study: Study, pair: tuple[Factor, Factor], beads: Sequence[EdgeBead]) -> FloatArray:
    """Give voltage and feed, shape (n, 2)."""
    columns = [study.factors.index(factor) for factor in pair]
    return np.array([[bead.settings[j] for j in columns] for bead in beads], dtype=float).reshape(-1, 2)


def _coded(study: Study, pair: tuple[Factor, Factor], beads: Sequence[EdgeBead]) -> FloatArray:
    """Give voltage and feed from -1 to 1 over their ranges, shape (n, 2)."""
    low, high = np.array([f.low for f in pair]), np.array([f.high for f in pair])
    return np.asarray(2 * (_natural(study, pair, beads) - low) / (high - low) - 1)


def _normal(edge: str, ran: FloatArray, failed: FloatArray) -> FloatArray | None:
    """Give the direction, coded, in which the beads that failed lie beyond all that ran; None where there is none.

    The edge's own diagonal where that does it, else the direction with the widest gap (a linear programme).
    """
    diagonal = np.array(next(((up, forward) for name, up, forward, _ in EDGES if name == edge), (1, 1)), dtype=float)
    if (failed @ diagonal).min() > (ran @ diagonal).max() + 1e-6:
        return diagonal
    # variables: direction (2), bound, gap; the gap is made as wide as it will go
    A = np.vstack(
        [
            np.column_stack([ran, -np.ones(len(ran)), np.ones(len(ran))]),
            np.column_stack([-failed, np.ones(len(failed)), np.ones(len(failed))]),
        ]
    )
    found = linprog([0, 0, 0, -1], A, np.zeros(len(A)), bounds=[(-1, 1), (-1, 1), (None, None), (0, None)])
    return np.asarray(found.x[:2]) if found.x[3] > 1e-6 else None


def _rule(
    study: Study,
    pair: tuple[Factor, Factor],
    normal: FloatArray,
    beads: tuple[Sequence[EdgeBead], Sequence[EdgeBead]],
) -> str:
    """Write the rule between the beads, with as few digits as keep its promise."""
    kept, failed = beads
    share = SHARE_OF_GAP.get(failed[0].edge, 1 / 2)
    slopes = normal / np.array([factor.high - factor.low for factor in pair])
    slopes = slopes / np.abs(slopes).max()
    for digits in range(2, 9):
        rounded = np.array([float(f"{s:.{digits}g}") for s in slopes])
        inside = (_natural(study, pair, kept) @ rounded).max()
        outside = (_natural(study, pair, failed) @ rounded).min()
        bound = float(f"{inside + share * (outside - inside):.{digits}g}")
        if inside <= bound < outside:
            break
    return f"{_sum(pair, rounded)} <= {bound:.12g}"


def _sum(pair: tuple[Factor, Factor], slopes: FloatArray) -> str:
    """Write the left side in factor names."""
    parts = [
        f"{'-' if slope < 0 else '+'} {'' if abs(slope) == 1 else f'{abs(slope):.12g}*'}{factor.name}"
        for factor, slope in zip(pair, slopes, strict=True)
        if slope
    ]
    return " ".join(parts).removeprefix("+ ").replace("- ", "-", 1 if parts[0].startswith("-") else 0)
