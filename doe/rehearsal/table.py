"""The calibration as a page of Markdown: what was asked, what came of it, and how sure that is."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import groupby
from typing import Final, TypeVar

from doe.rehearsal.calibration import LEVER_SIZE, LEVER_TRUTHS, SIZES, STAGED, Calibration
from doe.rehearsal.page_words import AIMED, BANDS, FRONTIER_TOLD, LEVERS_TOLD, OPENING, TERMS, TRUTHS_TOLD, about
from doe.rehearsal.record import Record
from doe.rehearsal.setup import INFORMED, LEVERS, NOTHING_KNOWN, TRUTHS, WITH_SECOND
from doe.rehearsal.summary import BANDS as BAND_NAMES
from doe.rehearsal.summary import Average, Share, Summary, first_claims, stratified, summarise

SURE: Final = 0.05
"""Below this chance, were the true share of wrong claims 10 %, a promise counts as broken."""
AWKWARD: Final = {
    "measure": frozenset(
        {
            "sharp ridge",
            "plate-heavy scatter",
            "warm second sides",
            "days differ",
            "drift",
            "gross errors",
            "dirty plates",
            "family: bent",
        }
    ),
    "count": frozenset({"no pores", "pores at a step", "answers that do not hold", "dirty plates", "family: bent"}),
    "trip": frozenset({"never trips", "trips alike everywhere"}),
}
"""Truths that are no smooth surface with even scatter, by kind of response: sharp bends and steps, what comes from
days, plates or misreading, what lies at the edge of the possible, and prior answers that are false. All others are
smooth."""
BOTH: Final = (INFORMED, NOTHING_KNOWN)
ALL: Final = (INFORMED, WITH_SECOND, NOTHING_KNOWN)
Key = TypeVar("Key", str, tuple[str, int], tuple[str, str, str])
SUMMED: Final = ("studies", "found, %", "wrong a study, %", "wrong a claim, %", "true window, %", "good settings, %")


def calibration_page(calibration: Calibration, *, command: str) -> str:
    """Write the page.

    Parameters
    ----------
    calibration : Calibration
    command : str
        That made it.
    """
    records = list(calibration.records)
    last = [record for record in records if record.is_last]
    one = [record for record in last if "+" not in record.stages]
    lines = [
        *OPENING,
        *_made(last, command, calibration.seed),
        *TERMS,
        *_frontier(one),
        *_staged([record for record in records if "+" in record.stages]),
        *_levers(one),
        *_by_truth(one),
        *_bands(one),
        "## The truths",
        "",
        *(f"- {name}: {about(truth)}." for name, truth in TRUTHS.items()),
    ]
    return "\n".join(lines) + "\n"


def _made(last: Sequence[Record], command: str, seed: int) -> list[str]:
    """Say how it was made."""
    sizes = sorted(len(cell) for _, cell in _grouped(last, lambda r: (r.knowledge, r.truth, r.stages)))
    each = f"{sizes[0]}" if sizes[:1] == sizes[-1:] else f"{sizes[0]} to {sizes[-1]}"
    refused = summarise(last).refused
    return [
        f"Made by `{command}`",
        "",
        f"Seed {seed}; every study has random streams of its own, and four plans (seeds 1 to 4) take turns.",
        f"{len(last)} studies in {len(sizes)} cells (what is known, truth, stages) of {each} studies"
        + ("." if len(each.split()) == 1 else ": some were run on with `--welds`, `--known` and a larger `--studies`."),
        f"{_number(summarise(last).seconds.value, 2)} s of processor time a study. "
        f"{refused.count} studies ended without an answer and count as no claim.",
        "",
    ]


def _frontier(one: Sequence[Record]) -> list[str]:
    rows = []
    for known in ALL:
        for n in SIZES:
            cell = [r for r in one if r.knowledge == known.name and r.stages == str(n)]
            aims = tuple("" if aim is None else str(aim) for aim in AIMED.get(known.name, {}).get(n, (None, None)))
            rows += [_row((known.name, str(n)), summarise(cell), aims)] if cell else []
    head = _head(("known", "welds", *SUMMED, "prototype, %", "aimed at, %"))
    return _section("One stage, all truths", FRONTIER_TOLD, [*head, *rows])


def _staged(staged: Sequence[Record]) -> list[str]:
    """Tell of studies in stages, and of the user who stops at the first window."""
    rows = []
    for known in BOTH:
        for stages in ("+".join(map(str, sizes)) for sizes in STAGED):
            cell = [r for r in staged if r.knowledge == known.name and r.stages == stages]
            if cell:
                last = [r for r in cell if r.is_last]
                rows.append(_row((known.name, stages, "all stages welded"), summarise(last)))
                rows.append(_row((known.name, stages, "stops at the first window"), summarise(first_claims(cell))))
    return _section("In stages, all truths but “days differ”", (), _table(("known", "stages", "user"), rows))


def _levers(one: Sequence[Record]) -> list[str]:
    """Tell each lever's part."""
    rows = []
    at = [r for r in one if r.stages == str(LEVER_SIZE) and r.truth in LEVER_TRUTHS]
    for known in (INFORMED, *LEVERS, WITH_SECOND, NOTHING_KNOWN):
        cell = [r for r in at if r.knowledge == known.name]
        rows += [_row((known.name,), summarise(cell))] if cell else []
    return _section(f"Each lever’s part, {LEVER_SIZE} welds", LEVERS_TOLD, _table(("known",), rows))


def _by_truth(one: Sequence[Record]) -> list[str]:
    """Tell of every truth: wrong claims by number of welds."""
    lines: list[str] = []
    for known in ALL:
        mine = [r for r in one if r.knowledge == known.name]
        if mine:
            head = ("truth", *map(str, SIZES), "all, %", "chance", "found, %", "true window, %")
            rows = [_truth_row(truth, [r for r in mine if r.truth == truth]) for truth in TRUTHS if _has(mine, truth)]
            table = [*_head(head), *rows, "", _verdict(mine)]
            lines += _section(f"Truth by truth, one stage, {known.name}", TRUTHS_TOLD, table)
    return lines


def _has(records: Iterable[Record], truth: str) -> bool:
    return any(record.truth == truth for record in records)


def _truth_row(truth: str, records: Sequence[Record]) -> str:
    cells = [summarise([r for r in records if r.stages == str(n)]).wrong for n in SIZES]
    whole = summarise(records)
    return _line(
        (
            truth,
            *(f"{wrong.count}/{wrong.of}" if wrong.of else "" for wrong in cells),
            _share(whole.wrong),
            _chance(whole.wrong.above()),
            _share(whole.found),
            _average(whole.box_share) if whole.box_share.of else "none good",
        )
    )


def _verdict(records: Sequence[Record]) -> str:
    """Say which truths break the promise."""
    truths = [(truth, summarise(cell).wrong) for truth, cell in _grouped(records, lambda r: r.truth)]
    cells = [(at, summarise(cell).wrong) for at, cell in _grouped(records, lambda r: (r.truth, r.welds))]
    broken = [f"{truth} ({_share(wrong)} %)" for truth, wrong in truths if wrong.above() < SURE]
    single = [f"{truth} at {n} ({wrong.count} of {wrong.of})" for (truth, n), wrong in cells if wrong.above() < SURE]
    first = "No truth breaks the promise over all numbers of welds."
    if broken:
        first = f"The promise is broken (chance under {SURE:.0%}) on: {', '.join(broken)}."
    if not single:
        return f"{first} Nor does any single cell."
    return (
        f"{first} Single cells under that chance: {', '.join(single)}; were every one of {len(cells)} cells just at "
        f"10 %, up to {SURE * len(cells):.0f} would be by chance alone."
    )


def _bands(one: Sequence[Record]) -> list[str]:
    """Tell the coverage of every band."""
    head: tuple[str, ...] = ("known", "welds", "truths", "penetration, pointwise", "everywhere", "next weld")
    head += ("porosity, pointwise", "everywhere", "supply holds, pointwise", "everywhere")
    rows = []
    for known in BOTH:
        for n in SIZES:
            cell = [r for r in one if r.knowledge == known.name and r.stages == str(n)]
            for label, is_awkward in (("smooth", False), ("awkward", True)):
                bands = list(_covered(cell, is_awkward=is_awkward))
                if any(band.of for band in bands):
                    rows.append(_line((known.name, str(n), label, *map(_average, bands))))
    return _section("Coverage of the 90 % bands, one stage", BANDS, [*_head(head), *rows])


def _covered(records: Sequence[Record], *, is_awkward: bool) -> Iterator[Average]:
    """Give the coverage of every band over the truths that are smooth, or awkward, for its response."""
    for name in BAND_NAMES:
        kind = name.rpartition("_")[2]
        yield stratified([r for r in records if (r.truth in AWKWARD[kind]) == is_awkward], name)


# --- writing


def _section(title: str, words: Sequence[str], table: Sequence[str]) -> list[str]:
    """Put a section together; nothing where its table has no rows."""
    return [f"## {title}", "", *words, *table, ""] if len(table) > 2 else []


def _table(first: Sequence[str], rows: Sequence[str]) -> list[str]:
    return [*_head((*first, *SUMMED)), *rows]


def _head(names: Sequence[str]) -> list[str]:
    return [_line(names), f"|{'---|' * len(names)}"]


def _line(cells: Iterable[str]) -> str:
    return f"| {' | '.join(cells)} |"


def _row(first: Sequence[str], summary: Summary, last: Sequence[str] = ()) -> str:
    shares = map(_share, (summary.found, summary.wrong, summary.wrong_claims))
    averages = map(_average, (summary.box_share, summary.claimed_share))
    return _line((*first, str(summary.found.of), *shares, *averages, *last))


def _share(share: Share) -> str:
    """Write a share in per cent with its error, or with its upper limit where nothing was counted."""
    if not share.of:
        return "-"
    if not share.count:
        return f"0 (< {100 * share.upper:.2g})"
    return f"{100 * share.value:.1f} ± {100 * share.error:.1f}"


def _average(average: Average) -> str:
    """Write a mean in per cent."""
    return f"{_number(100 * average.value, 1)} ± {_number(100 * average.error, 1)}" if average.of else "-"


def _number(value: float, digits: int) -> str:
    return "?" if math.isnan(value) else f"{value:.{digits}f}"


def _chance(value: float) -> str:
    return f"{value:.3f}" if value >= 0.001 else "< 0.001"


def _grouped(records: Iterable[Record], key: Callable[[Record], Key]) -> list[tuple[Key, list[Record]]]:
    """Group records by a key, in its order."""
    return [(at, list(cell)) for at, cell in groupby(sorted(records, key=key), key=key)]
