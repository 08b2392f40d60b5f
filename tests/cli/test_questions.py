"""What three kinds of reader ask, each answered where they would look: the questions are ours.

Someone who welds at weekends reads page one on a phone and the card; a technician prints it; an engineer doubts it.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import html5lib
import pytest

PAGE_ONE = "answer"

AT_WEEKENDS = [
    ("where do I put the dials?", PAGE_ONE, r"voltage \d.* feed [\d.]+ to [\d.]+ m/min.* preheat"),
    ("how many of my welds will be good?", PAGE_ONE, r"at least 18 of 20 welds made in here meet every requirement"),
    ("how sure is that?", PAGE_ONE, r"we are 90 % sure"),
    ("what is a good weld here?", PAGE_ONE, r"A good weld here: penetration at least 1\.2 mm; porosity at most 2 over"),
    ("may I rely on it already?", PAGE_ONE, r"NOT CONFIRMED"),
    ("what goes wrong if I stray, and which way?", PAGE_ONE, r"limits? towards (lower|higher) \w+"),
    ("does it hold for another plate, wire or outlet?", PAGE_ONE, r"Not tested: any other joint, thickness"),
    ("what do I do next?", PAGE_ONE, r"What to do next.*weldwindow confirm"),
    ("what happens if I turn the feed up a little?", "Why this setting", r"feed\. Set at .*Turned up to"),
    ("what if the breaker trips?", "Take care", r"After a trip: let breaker and machine cool"),
]

WHO_PRINTS_IT = [
    ("which welds were made, and what was read?", "The welds", r"W01 P\d\d .* mm \d over \d+ mm"),
    ("which heat input did each have?", "The welds", r"heat input \[kJ/mm\]"),
    (
        "which weld lay where, made in which order?",
        "The welds",
        r"The plates: which weld lay where, and in",
    ),
    ("what else was written down?", "The welds", r"What was written down beside the readings.*line current"),
    ("what was it welded with?", "header", r"lap fillet, 10 mm thick, S275, 1\.0 mm gas-shielded cored"),
    ("which study is this sheet of?", "footer", r"weldwindow [\d.]+, study [0-9a-f]{12}, seed 1"),
    ("does this qualify a procedure?", PAGE_ONE, r"qualifies neither a procedure nor a welder"),
    ("what does this word mean?", "For whoever", r"What the words mean.*prediction band Where your next single weld"),
]

WHO_DOUBTS = [
    (
        "what exactly is claimed?",
        "For whoever",
        r"at least 90 % that at every dial setting in this box",
    ),
    ("what is assumed?", "For whoever", r"It holds given the models and the priors stated here"),
    ("how often are such claims wrong?", "For whoever", r"How often such claims are right.*wrong a claim"),
    ("which terms, with which errors?", "For whoever", r"Terms of the coded factors .* standard error"),
    ("how much scatter, from where?", "For whoever", r"Scatter by source, one standard deviation: between welds"),
    ("does the form of the model fit?", "For whoever", r"[Ll]ack of fit"),
    ("does it foretell plates it has not seen?", "For whoever", r"Predicted from the other plates, \d+ of \d+"),
    ("does one weld carry it all?", "For whoever", r"Influence: what each weld moves"),
    ("did anything drift?", "For whoever", r"drift"),
    ("what if the prior were another?", "For whoever", r"Prior sensitivity: the chance of meeting the requirement"),
    ("what would the handbook say?", "For whoever", r"The handbook’s analysis of variance.* R² "),
    ("can I make the numbers again?", "For whoever", r"weldwindow report DIR --seed 1.*Versions: weldwindow"),
]


@pytest.fixture(scope="module")
def tree(welded_once: Path, tmp_path_factory: pytest.TempPathFactory, weldwindow) -> Any:
    folder = tmp_path_factory.mktemp("asked")
    for name in ("study.toml", "plan.csv", "results.csv"):
        (folder / name).write_bytes((welded_once / name).read_bytes())
    assert weldwindow("report", folder).exit_code == 0
    text = (folder / "report" / "report.html").read_text(encoding="utf-8")
    return html5lib.parse(text, namespaceHTMLElements=False)


def words(node: Any) -> str:
    return " ".join(" ".join(node.itertext()).split())


def part_of(tree: Any, where: str) -> str:
    """Give what stands in a part of the page: by its id, its element, or the start of its heading."""
    if where in {"header", "footer"}:
        return words(tree.find(f".//{where}"))
    sections = tree.findall(".//section")
    by_id = [section for section in sections if section.get("id") == where]
    headed = [s for s in sections if s.find("h2") is not None and words(s.find("h2")).startswith(where)]
    (found,) = by_id or headed
    return words(found)


@pytest.mark.parametrize(("question", "where", "answer"), [*AT_WEEKENDS, *WHO_PRINTS_IT, *WHO_DOUBTS])
def test_the_question_is_answered_where_it_is_looked_for(tree: Any, question: str, where: str, answer: str):
    assert re.search(answer, part_of(tree, where)), question


def test_page_one_speaks_no_statistics(tree: Any):
    told = part_of(tree, PAGE_ONE)
    assert not re.search(r"\bp[- ]?values?\b|\bp = |R²|posterior|prior\b|standard error|coefficient|\bdf\b", told)
