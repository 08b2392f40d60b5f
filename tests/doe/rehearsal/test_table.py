from __future__ import annotations

from dataclasses import replace

from doe.rehearsal.calibration import Calibration
from doe.rehearsal.setup import LEVERS, NOTHING_KNOWN, WITH_SECOND
from doe.rehearsal.table import calibration_page


def page(records, seed: int = 1) -> str:
    return calibration_page(Calibration(tuple(records), seed), command="python -m doe.rehearsal x.csv")


def many(record, lost, n: int, n_wrong: int):
    return [
        replace(record, study=k, wrong=k < n_wrong) if k % 2 == 0 or k < n_wrong else replace(lost, study=k)
        for k in range(n)
    ]


def row(text: str, *start: str) -> list[str]:
    wanted = "| " + " | ".join(start) + " |"
    (line,) = (line for line in text.splitlines() if line.startswith(wanted))
    return [cell.strip() for cell in line.strip("|").split("|")]


def section(text: str, title: str) -> str:
    return text.split(f"## {title}")[1].split("\n## ", maxsplit=1)[0]


def test_the_page_names_its_command_its_seed_and_its_numbers(record, lost):
    text = page(many(record, lost, 40, 0), seed=7)
    assert "`python -m doe.rehearsal x.csv`" in text
    assert "Seed 7" in text
    assert "40 studies in 1 cells" in text
    assert "of 40 studies" in text


def test_shares_stand_with_their_monte_carlo_errors(record, lost):
    cells = row(section(page(many(record, lost, 40, 4)), "One stage"), "informed", "18")
    # 22 of 40 found (20 even ones, and 1 and 3 which are wrong); 4 of 40 and 4 of 22 wrong; errors sqrt(p q / n)
    assert cells[:6] == ["informed", "18", "40", "55.0 ± 7.9", "10.0 ± 4.7", "18.2 ± 8.2"]
    assert cells[6:] == ["22.0 ± 3.2", "11.0 ± 1.6", "29", "33"]  # the last two: the prototype’s, and what was aimed at


def test_nothing_counted_shows_the_exact_upper_limit(record, lost):
    cells = row(section(page(many(record, lost, 40, 0)), "One stage"), "informed", "18")
    assert cells[4] == "0 (< 7.2)"  # 1 - .05^(1/40)


def test_a_broken_promise_is_told(record, lost):
    kept, broken = (section(page(many(record, lost, 60, wrong)), "Truth by truth") for wrong in (6, 14))
    assert "No truth breaks the promise" in kept
    assert "Nor does any single cell" in kept
    assert "The promise is broken (chance under 5%) on: hinge lugs (23.3 ± 5.5 %)" in broken
    assert "hinge lugs at 18 (14 of 60)" in broken
    assert row(broken, "hinge lugs")[3] == "14/60"


def test_the_user_who_stops_at_the_first_window_has_a_row(record, lost):
    stages = []
    for k in range(10):
        first = replace(lost, stages="8+4", stage=1, welds=8, study=k)
        second = replace(record, stages="8+4", stage=2, welds=12, study=k)
        stages += [replace(first, found=True, wrong=k < 3), replace(second, wrong=False)]
    text = section(page(stages), "In stages")
    assert row(text, "informed", "8+4", "all stages welded")[5] == "0 (< 26)"
    assert row(text, "informed", "8+4", "stops at the first window")[5] == "30.0 ± 14.5"


def test_each_lever_has_a_row_beside_all_and_none(record):
    names = ["informed", *(known.name for known in LEVERS), WITH_SECOND.name, NOTHING_KNOWN.name]
    text = section(page([replace(record, knowledge=name) for name in names]), "Each lever")
    assert [row(text, name)[0] for name in names] == names


def test_bands_are_told_for_smooth_truths_and_awkward_ones_apart_by_response(record):
    ridge = replace(record, truth="sharp ridge", point_measure=0.5, point_count=0.8)
    text = section(page([replace(record, truth="edge window", point_count=0.6), ridge]), "Coverage")
    smooth, awkward = row(text, "informed", "18", "smooth"), row(text, "informed", "18", "awkward")
    assert smooth[3] == "90.0 ± ?"
    assert awkward[3] == "50.0 ± ?"
    assert smooth[6] == "70.0 ± ?"  # of porosity the sharp ridge is as smooth as the edge window
    assert awkward[6] == "-"


def test_a_truth_without_a_good_setting_has_no_share(record, lost):
    barren = replace(lost, truth="no window", good_share=0.0, box_share=float("nan"), true_window=False)
    text = section(page([record, barren]), "Truth by truth")
    assert row(text, "no window")[-1] == "none good"


def test_every_truth_is_described(record):
    text = section(page([record]), "The truths")
    assert "- sharp ridge: penetration bends sharply" in text
    assert "- family: bent: drawn anew" in text
