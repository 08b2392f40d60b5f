from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from doe.bench.results import Measurement, Results
from doe.planning import plan_welds
from doe.report.plates import DrawnPlate, drawn_plates, plates_figure, plates_picture
from doe.study.model import Factor, Response, Study


@pytest.fixture
def results(hinge: Study) -> Results:
    """Give the lug study's plan of 18 welds on 9 plates, made but for W02."""
    welds = plan_welds(hinge, seed=1, starts=4).welds
    n = len(welds)
    made = tuple("not run" if weld.weld == "W02" else "done" for weld in welds)
    settings = np.array([weld.settings for weld in welds])
    return Results(
        study=hinge,
        weld=tuple(weld.weld for weld in welds),
        plate=tuple(weld.plate for weld in welds),
        block=("",) * n,
        role=("plan",) * n,
        file=("results.csv",) * n,
        position=np.array([weld.position for weld in welds]),
        order=np.array([weld.order for weld in welds]),
        row=np.arange(2, n + 2),
        planned=settings,
        settings=settings + 0.1,
        status=made,
        readings={"penetration": Measurement(np.full((n, 1), 1.5), np.full(n, np.inf))},
    )


def beads_by_weld(plates: tuple[DrawnPlate, ...]) -> dict[str, tuple[str, str, bool]]:
    return {b.text.split("  ")[0]: (b.order, b.text.split("  ")[1], b.was_made) for p in plates for b in p.beads}


def test_every_weld_is_drawn_once_on_its_plate_in_the_order_of_welding(results: Results):
    plates = drawn_plates(results)
    assert len(plates) == 9
    firsts = [min(int(bead.order) for bead in plate.beads) for plate in plates]
    assert firsts == sorted(firsts)
    found = beads_by_weld(plates)
    assert set(found) == set(results.weld)
    for i, weld in enumerate(results.weld):
        order, _, was_made = found[weld]
        assert order == str(results.order[i])
        assert was_made == (weld != "W02")


def test_a_bead_shows_marks_as_planned_and_its_plate_what_it_holds(results: Results):
    plates, factors = drawn_plates(results), results.study.factors
    for plate in plates:
        name, held, _ = plate.name.split()
        on_it = [i for i, p in enumerate(results.plate) if p == name]
        assert float(held) == results.planned[on_it[0], 2]
        by_position = sorted(on_it, key=lambda i: results.position[i])
        assert [b.text.split("  ")[0] for b in plate.beads] == [results.weld[i] for i in by_position]
        marks = [(factors[0].mark_at(results.planned[i, 0]), f"{results.planned[i, 1]:g}") for i in by_position]
        assert [tuple(b.text.split("  ")[1].split(" / ")) for b in plate.beads] == marks


def test_the_picture_says_in_words_what_it_shows(results: Results):
    drawn = plates_picture(results)
    assert drawn is not None
    assert "voltage / feed; above a plate: preheat" in drawn.caption
    assert all(weld in drawn.text for weld in results.weld)


def test_welds_without_plates_of_their_own_name_are_not_drawn(results: Results):
    assert plates_picture(replace(results, plate=tuple(f"({weld})" for weld in results.weld))) is None


def test_long_texts_get_wider_plates(results: Results):
    plates = drawn_plates(results)
    long = tuple(
        replace(plate, beads=tuple(replace(b, text=b.text + " / pulsed arc, long") for b in plate.beads))
        for plate in plates
    )
    assert plates_figure(long).get_size_inches()[1] > plates_figure(plates).get_size_inches()[1]


def test_kinds_and_history_without_an_order_are_drawn_too(results: Results):
    wire = Factor("wire", kinds=("A", "B"))
    study = replace(results.study, factors=(wire,), responses=(Response("penetration", "measure", "mm"),))
    few = replace(
        results, study=study, planned=np.arange(18)[:, None] % 2.0, settings=np.zeros((18, 1)),
        order=np.zeros(18, dtype=int),
    )  # fmt: skip
    found = beads_by_weld(drawn_plates(few))
    assert {order for order, _, _ in found.values()} == {""}
    assert {text for _, text, _ in found.values()} == {"A", "B"}
