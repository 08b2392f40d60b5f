from __future__ import annotations

import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from doe.bench.results import Results
from doe.report.card import conditions_tested, setting_card
from doe.study.model import Factor, Study
from doe.window.standing import Round, Standing
from doe.window.window import Answer, BestSetting, Chance, Nearest, SettingBox, Window

pytestmark = pytest.mark.skipif(shutil.which("pdftotext") is None, reason="poppler-utils is not installed")


def empty_results(study: Study, **remarks: tuple[str, ...]) -> Results:
    none = np.zeros(0, dtype=np.int64)
    settings = np.zeros((0, len(study.factors)))
    return Results(study, (), (), (), (), (), none, none, none, settings, settings, (), {}, {}, remarks)


def window_of(study: Study, answer: Answer) -> Window:
    axes = tuple(f.positions for f in study.factors)
    everywhere = np.ones([len(a) for a in axes], dtype=bool)
    return Window(study, study.claim, (answer,), (), axes, everywhere, everywhere, n_welds=18)


def found(study: Study) -> Window:
    low = tuple(float(f.positions[0]) for f in study.factors)
    high = tuple(float(f.positions[1]) for f in study.factors)
    box = SettingBox(low, high, tuple(f.positions[:2] for f in study.factors), 0.2, 0.93)
    best = BestSetting(low, Chance(0.97, 0.93), {})
    return window_of(study, Answer("any", box=box, searched_at=0.9, best=best))


def text_of(pdf: bytes, folder: Path) -> str:
    path = folder / "card.pdf"
    path.write_bytes(pdf)
    return subprocess.run(["pdftotext", "-layout", path, "-"], capture_output=True, text=True, check=True).stdout


@pytest.mark.parametrize("size", ["A6", "index card"])
def test_the_card_names_marks_claim_and_standing_on_one_page(hinge: Study, tmp_path: Path, size: str):
    text = text_of(setting_card(found(hinge), empty_results(hinge), size=size), tmp_path)
    assert "1 to 2" in text
    assert "17 to 18.4 V ± 0.2 V" in text
    assert "18 of 20" in text
    assert "NOT CONFIRMED" in text
    assert "study 0123456789ab" in text
    assert "page 1 of 1" in text


def test_the_card_bears_the_verdict_with_welds_and_date(hinge: Study, tmp_path: Path):
    first, again = (
        Round(2, 4, 4, 4, "not contradicted", "2031-05-04"),
        Round(3, 2, 2, 2, "not contradicted", "2031-09-01", ("spool: B7 (before: A3)",)),
    )
    window = replace(found(hinge), standing=Standing("not contradicted", (first, again), ("told at length",)))
    text = text_of(setting_card(window, empty_results(hinge)), tmp_path)
    assert "NOT CONTRADICTED, 4 of 4 welds, 2031-05-04" in text
    assert "page 1 of 1" in text
    assert "Checked again: 2 of 2 met every requirement, 2031-09-01 (spool: B7 (before: A3))." in " ".join(text.split())
    withdrawn = replace(window, standing=replace(window.standing, verdict="withdrawn", shows_claim=False))
    text = text_of(setting_card(withdrawn, empty_results(hinge)), tmp_path)
    assert "NOT CONFIRMED" in text
    assert "WITHDRAWN" not in text


def test_six_dials_still_fit_on_the_card(hinge: Study, tmp_path: Path):
    more = tuple(Factor(f"further dial {i}", values=(0.0, 1.0, 2.0)) for i in range(3))
    study = replace(hinge, factors=(*hinge.factors, *more))
    text = text_of(setting_card(found(study), empty_results(study)), tmp_path)
    assert "further dial 2" in text
    assert "page 1 of 1" in text


def test_a_card_without_a_claim_names_no_setting_to_use(hinge: Study, tmp_path: Path):
    nearest = Nearest(None, None, None, None, "porosity", "cannot say yet", 6)
    text = text_of(setting_card(window_of(hinge, Answer("any", nearest=nearest)), empty_results(hinge)), tmp_path)
    assert "No setting can be claimed yet" in text
    assert "NOT CONFIRMED" not in text


def test_the_card_tells_the_outlet_and_cord_that_were_tested(hinge: Study):
    results = empty_results(hinge, outlet=("bench", "bench", ""), cord=("none",))
    assert conditions_tested(results) == ("outlet tested: bench", "cord tested: none")


def test_a_full_card_keeps_its_words_above_the_stamp(hinge: Study, tmp_path: Path):
    spools = tuple(f"spool {i} from the cupboard by the door" for i in range(9))
    results = empty_results(hinge, outlet=("the one by the gate",), cord=("25 m reel, unrolled",), spool=spools)
    path = tmp_path / "card.pdf"
    path.write_bytes(setting_card(found(hinge), results))
    boxes = subprocess.run(["pdftotext", "-bbox", path, "-"], capture_output=True, text=True, check=True).stdout
    bottoms = {w: float(y) for y, w in re.findall(r'yMax="([\d.]+)">([^<]+)</word>', boxes)}
    tops = {w: float(y) for y, w in re.findall(r'yMin="([\d.]+)" [^>]*>([^<]+)</word>', boxes)}
    assert bottoms["door"] < tops["CONFIRMED"]  # the last of the spools
    assert tops["CONFIRMED"] < tops["initials"]


def test_the_card_says_what_a_good_weld_is(hinge: Study, tmp_path: Path):
    text = " ".join(text_of(setting_card(found(hinge), empty_results(hinge)), tmp_path).split())
    assert "A good weld here: penetration at least 1.2 mm" in text
    assert "no trip within 30 s" in text
