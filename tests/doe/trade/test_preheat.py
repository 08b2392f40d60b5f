from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.trade import hydrogen, preheat
from doe.units import convert

MILD = {"C": 0.20, "Mn": 0.90, "Si": 0.25, "Cu": 0.20, "Ni": 0.10, "Cr": 0.10, "Mo": 0.02}
ROOM = {"cet_percent": 0.36, "thickness_mm": 30.0, "hydrogen_ml_100g": 4.0, "heat_input_kj_mm": 1.5}


def test_a_mild_steel_has_the_worked_equivalents():
    # Worked in the facts of the trade from the formulas, by hand.
    figure = preheat.carbon_equivalents(MILD)
    assert dict(figure.value) == pytest.approx({"CE": 0.3940, "Pcm": 0.27133, "CET": 0.3095}, abs=5e-5)  # type: ignore[arg-type]
    assert "V, B" in figure.notes[0]


def test_a_full_analysis_has_no_note_of_missing_elements():
    figure = preheat.carbon_equivalents({**MILD, "V": 0.0, "B": 0.0})
    assert not any("not given" in note for note in figure.notes)


@settings(deadline=None)
@given(st.sampled_from(preheat.ELEMENTS), st.floats(0.001, 1.0))
def test_no_element_lowers_an_equivalent(element: str, more: float):
    richer = {**MILD, element: MILD.get(element, 0.0) + more}
    for equivalent in (
        preheat.carbon_equivalent_iiw,
        preheat.carbon_equivalent_pcm,
        preheat.carbon_equivalent_cet,
    ):
        assert equivalent(richer) >= equivalent(MILD)


EDGES = [
    ("cet_percent", 0.2, 0.5, "CET"),
    ("thickness_mm", 10.0, 90.0, "thickness"),
    ("hydrogen_ml_100g", 1.0, 20.0, "diffusible hydrogen"),
    ("heat_input_kj_mm", 0.5, 4.0, "heat input"),
]


@pytest.mark.parametrize(("name", "low", "high", "words"), EDGES)
def test_method_b_holds_at_its_edges_and_is_refused_beyond(name: str, low: float, high: float, words: str):
    for edge in (low, high):
        assert preheat.preheat_by_cet(**{**ROOM, name: edge}).valid
    for beyond, word in ((0.99 * low, "below"), (1.01 * high, "above")):
        figure = preheat.preheat_by_cet(**{**ROOM, name: beyond})
        assert figure.value is None
        assert len(figure.notes) == 1
        assert figure.notes[0].startswith(words)
        assert word in figure.notes[0]


def test_a_thin_plate_at_low_heat_has_both_bounds_named():
    figure = preheat.preheat_by_cet(0.31, thickness_mm=6.0, hydrogen_ml_100g=5.0, heat_input_kj_mm=0.35)
    assert not figure.valid
    assert [note.split(" is ")[0] for note in figure.notes] == ["thickness", "heat input"]


def test_an_edge_written_in_inches_counts_as_the_edge():
    heat = convert(12.7, "kJ/in", "kJ/mm")
    assert preheat.preheat_by_cet(**{**ROOM, "heat_input_kj_mm": heat}).valid


@settings(deadline=None)
@given(st.floats(0.2, 0.49), st.floats(10.0, 85.0), st.floats(1.0, 19.0))
def test_preheat_rises_with_carbon_thickness_and_hydrogen(cet: float, thickness: float, hydrogen_ml: float):
    def need(c: float, d: float, h: float) -> float:
        return preheat.preheat_by_cet(c, thickness_mm=d, hydrogen_ml_100g=h, heat_input_kj_mm=1.0).number

    first = need(cet, thickness, hydrogen_ml)
    assert need(cet + 0.01, thickness, hydrogen_ml) > first
    assert need(cet, thickness + 5.0, hydrogen_ml) > first
    assert need(cet, thickness, hydrogen_ml + 1.0) > first


def test_a_preheat_below_room_temperature_is_said_to_be_none():
    figure = preheat.preheat_by_cet(0.2, thickness_mm=10.0, hydrogen_ml_100g=1.0, heat_input_kj_mm=4.0)
    assert figure.number < 20.0
    assert "no preheat" in figure.notes[0]


def test_the_steel_method_b_was_made_for_is_checked_by_element():
    assert preheat.outside_method_b({"C": 0.16, "Mn": 1.2, "Si": 0.3}) == ()
    assert [note.split()[0] for note in preheat.outside_method_b({"C": 0.40, "Mn": 1.2, "Cr": 1.6})] == ["C", "Cr"]


@pytest.mark.parametrize(
    ("category", "thickness", "celsius", "fahrenheit"),
    [
        # AWS D1.1:2015 Table 3.3, rows A and B seen, C and D from memory.
        ("A", 20.0, 0, 32),
        ("A", 20.1, 65, 150),
        ("A", 38.1, 110, 225),
        ("A", 65.1, 150, 300),
        ("B", 38.0, 10, 50),
        ("B", 65.0, 65, 150),
        ("B", 65.1, 110, 225),
        ("C", 3.0, 10, 50),
        ("D", 80.0, 0, 32),
    ],
)
def test_the_minimum_preheat_changes_row_over_the_bound(category: str, thickness: float, celsius: int, fahrenheit: int):
    figure = preheat.minimum_preheat(category, thickness)
    assert figure.value == {"C": celsius, "F": fahrenheit}
    assert figure.from_memory == (category in "CD")


@pytest.mark.parametrize(("inches", "fahrenheit"), [(0.125, 32), (0.75, 32), (1.5, 150), (1.51, 225), (2.5, 225)])
def test_a_thickness_in_inches_takes_the_inch_rows(inches: float, fahrenheit: int):
    # 1 1/2 in is 38.1 mm: by the millimetre rows it would fall into the next row.
    value = preheat.minimum_preheat("A", 25.4 * inches, in_inches=True).value
    assert value["F"] == fahrenheit  # type: ignore[index]


def test_a_plate_thinner_than_the_table_is_refused():
    assert not preheat.minimum_preheat("B", 2.9).valid
    assert "below 0.125 in" in preheat.minimum_preheat("B", 3.0, in_inches=True).notes[0]


@pytest.mark.parametrize(
    ("index", "group"), [(3.0, "A"), (3.04, "A"), (3.06, "B"), (4.256, "D"), (7.0, "G"), (7.1, None)]
)
def test_an_index_is_rounded_before_it_is_put_in_a_group(index: float, group: str | None):
    assert hydrogen.index_group(index) == group


def test_hydrogen_control_gives_the_row_and_refuses_what_it_does_not_hold():
    # AWS D1.1 annex on preheat, from memory.
    found = hydrogen.hydrogen_control_preheat("E", 9.0, restraint="high")
    assert found.number == 230.0
    assert hydrogen.hydrogen_control_preheat("E", 10.0, restraint="high").number == 280.0
    assert "no preheat above shop temperature" in hydrogen.hydrogen_control_preheat("D", 6.0, restraint="low").notes[0]
    for group, thickness in (("B", 6.0), ("C", 6.0), ("D", 20.1)):
        assert not hydrogen.hydrogen_control_preheat(group, thickness, restraint="low").valid


def test_the_hydrogen_scale_ends_where_the_standard_says():
    assert [hydrogen.hydrogen_scale(h) for h in (15.1, 10.1, 5.1, 3.1, 2.0)] == list("ABCDE")
