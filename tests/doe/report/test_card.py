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


def warm(window: Window) -> Window:
    """Make of a window one that later welds share only in part: first welds alone reach one setting further."""
    box = window.answer.box
    high = tuple(float(f.positions[2]) for f in window.study.factors)
    wide = replace(box, high=high, dials=tuple(f.positions[:3] for f in window.study.factors))
    first, later = replace(window.answer, position=1, box=wide), replace(window.answer, position=2)
    return replace(window, answers=(window.answer, first, later), cool_plate="back at the preheat setting")


def test_the_card_says_for_which_welds_it_is_and_how_first_welds_settings_serve_all(hinge: Study, tmp_path: Path):
    text = " ".join(text_of(setting_card(warm(found(hinge)), empty_results(hinge)), tmp_path).split())
    assert "This window is for first and later welds alike. For first welds alone (not confirmed): voltage 1 to" in text
    assert "Wait before each later weld until the plate is back at the preheat setting: the first-weld window" in text
    same = replace(found(hinge), answers=tuple(replace(found(hinge).answer, position=p) for p in ("any", 1, 2)))
    text = " ".join(text_of(setting_card(same, empty_results(hinge)), tmp_path).split())
    assert "for first and later welds alike." in text
    assert "For first welds alone" not in text
    assert "Wait" not in text


def test_a_card_without_a_claim_for_every_weld_names_what_first_welds_allow(hinge: Study, tmp_path: Path):
    window = warm(found(hinge))
    none = Answer("any", nearest=Nearest(None, None, None, None, "porosity", "cannot say yet", 6))
    window = replace(window, answers=(none, *window.answers[1:]), assumed=("porosity as answered",))
    text = " ".join(text_of(setting_card(window, empty_results(hinge)), tmp_path).split())
    assert "No setting can be claimed yet" in text
    assert "For first welds alone (not confirmed): voltage 1 to 3" in text
    assert "then serves every weld" in text
    assert "Assumed: porosity as answered" in text


def test_where_plates_cool_in_between_the_card_says_to_wait(hinge: Study, tmp_path: Path):
    window = replace(found(hinge), cool_plate="back at the preheat setting")
    text = " ".join(text_of(setting_card(window, empty_results(hinge)), tmp_path).split())
    rule = "For first and later welds alike: wait before each later one until the plate is back at the preheat setting."
    assert rule in text
    alone = " ".join(text_of(setting_card(found(hinge), empty_results(hinge)), tmp_path).split())
    assert "later" not in alone


def test_the_card_names_what_was_assumed_and_where_all_of_it_stands(hinge: Study, tmp_path: Path):
    window = replace(found(hinge), assumed=("scatter of penetration 0.3 mm", "porosity as answered"))
    text = " ".join(text_of(setting_card(window, empty_results(hinge)), tmp_path).split())
    assert "Assumed: scatter of penetration 0.3 mm; porosity as answered; all of it is in the report." in text
    text = " ".join(text_of(setting_card(found(hinge), empty_results(hinge)), tmp_path).split())
    assert "What was assumed is in the report." in text


@pytest.mark.parametrize("size", ["A6", "index card"])
def test_the_card_of_warm_plates_keeps_its_words_above_the_stamp(hinge: Study, tmp_path: Path, size: str):
    results = empty_results(hinge, outlet=("the one by the gate",), cord=("25 m reel, unrolled",), spool=("B7",))
    assumed = ("scatter of penetration 0.3 mm", "porosity as answered", "16 A breaker, curve C, load computed")
    path = tmp_path / "card.pdf"
    path.write_bytes(setting_card(replace(warm(found(hinge)), assumed=assumed), results, size=size))
    boxes = subprocess.run(["pdftotext", "-bbox", path, "-"], capture_output=True, text=True, check=True).stdout
    words = re.findall(r'yMin="([\d.]+)" xMax="[\d.]+" yMax="([\d.]+)">([^<]+)</word>', boxes)
    stamp = next(float(top) for top, _, word in words if word == "CONFIRMED")
    assert max(float(bottom) for _, bottom, word in words if word == "report.") < stamp - 3


def test_the_card_says_what_a_good_weld_is(hinge: Study, tmp_path: Path):
    text = " ".join(text_of(setting_card(found(hinge), empty_results(hinge)), tmp_path).split())
    assert "A good weld here: penetration at least 1.2 mm" in text
    assert "no trip within 30 s" in text
