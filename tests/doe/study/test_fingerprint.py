"""The fingerprint: the same for the same question."""

from __future__ import annotations

import re

import pytest

from doe.study import parse_study


def changed(text: str, old: str, new: str) -> str:
    assert old in text
    return text.replace(old, new, 1)


def shuffled(text: str) -> str:
    """Give the file with its single tables, and the keys in every table, in another order."""
    plain = re.sub(r"[ \t]*#.*", "", text)
    parts = re.split(r"\n(?=\[)", plain)
    reordered = ["\n".join([part.split("\n")[0], *reversed(part.strip().split("\n")[1:])]) for part in parts]
    single = [part for part in reordered if not part.startswith("[[")]
    return "\n".join([*reversed(single), *(part for part in reordered if part.startswith("[["))])


def test_comments_order_and_layout_do_not_count(full: str) -> None:
    assert shuffled(full) != full
    assert parse_study(shuffled(full)).fingerprint == parse_study(full).fingerprint


def test_the_wires_own_burn_off_counts(full: str) -> None:
    with_log = changed(full, "[supply]", "[job.burn_off]\na = 0.5\nb = 8e-5\n[supply]")
    assert parse_study(with_log).fingerprint != parse_study(full).fingerprint


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('title = "Hinge lugs, 10 mm"', 'title = "Another title"'),
        ('why = "burn-back"', 'why = "it burns back"'),
        ('units = "metric"', 'units = "us"'),
        ("levels = [20, 70, 120]", 'levels = ["68 degF", 70.0, 1.2e2]'),
        ('per = "100 mm"', 'per = "10 cm"'),
        ('hold = "30 s"', 'hold = "0.5 min"'),
        ("voltage - 0.9*feed <= 15", "15 >= voltage - 0.9 feed"),
        ("chemistry = { C = 0.16, Mn = 1.2, Si = 0.3 }", "chemistry = { Si = 0.3, C = 0.16, Mn = 1.2 }"),
        ("stages = [18]", ""),
        ('role = "voltage"', ""),
        ("[claim]\nreliability = 0.90", "[claim]"),
        ("[plan]", '[plan]\npotential = "none"'),
        ("[plan]", "[plan]\nsecond_bead = false"),
        ("full = 10.0", 'full = 10.0\nerrors = "normal"'),
    ],
)
def test_the_same_meaning_written_otherwise_has_the_same_fingerprint(full: str, old: str, new: str) -> None:
    full = re.sub(r"[ \t]*#.*", "", full)
    assert parse_study(changed(full, old, new)).fingerprint == parse_study(full).fingerprint


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('"5" = 22.3', '"5" = 22.4'),
        ('"5" = 22.3', '"6" = 22.3'),
        ("step = 0.5", "step = 0.25"),
        ("[plan]", '[plan]\npotential = "third order"'),
        ("[plan]", "[plan]\nsecond_bead = true"),
        ("full = 10.0", 'full = 10.0\nerrors = "student t"'),
        ("welds_per_plate = 2", "welds_per_plate = [2, 2, 2, 2, 1, 2, 2, 2, 2, 1]"),
        ("at_least = 1.2", "at_least = 1.3"),
        ("<= 15", "<= 15.5"),
        ('breaker = "16 A"', 'breaker = "20 A"'),
        ("welds = 18\n", "welds = 18\nrepeats = 2\n"),
        ("reliability = 0.90", "reliability = 0.95"),
        ("hard_to_change = true", ""),
        ('name = "root fused"', 'name = "fused"'),
    ],
)
def test_another_meaning_has_another_fingerprint(full: str, old: str, new: str) -> None:
    full = re.sub(r"[ \t]*#.*", "", full).replace("repeats = 3\n", "")
    assert parse_study(changed(full, old, new)).fingerprint != parse_study(full).fingerprint


def test_the_folder_does_not_count(full: str, tmp_path_factory: pytest.TempPathFactory) -> None:
    first, second = tmp_path_factory.mktemp("a"), tmp_path_factory.mktemp("b")
    assert parse_study(full, folder=first).fingerprint == parse_study(full, folder=second).fingerprint


def test_the_example_keeps_its_fingerprint(full: str) -> None:
    # snapshot: a plan made today must be recognised by later versions
    assert parse_study(full).fingerprint == "e0d21e979f47"
