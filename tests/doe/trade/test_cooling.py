from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.trade import cooling

HEAT = st.floats(0.1, 5.0)
TEMPERATURE = st.floats(0.0, 250.0)
JOINT = st.sampled_from(sorted(cooling.JOINTS))


@settings(deadline=None)
@given(HEAT, TEMPERATURE, JOINT)
def test_both_formulas_agree_at_the_transition_thickness(heat: float, temperature: float, joint: str):
    thickness = cooling.transition_thickness_mm(heat, temperature, joint=joint)
    factors = cooling.JOINTS[joint]
    thin = cooling.thin_plate_s(heat, temperature, thickness_mm=thickness, factor=factors.thin)
    assert thin == pytest.approx(cooling.thick_plate_s(heat, temperature, factor=factors.thick), rel=1e-9)


@settings(deadline=None)
@given(HEAT, TEMPERATURE, JOINT, st.floats(0.3, 3.0))
def test_the_longer_time_is_two_dimensional_just_below_the_transition(
    heat: float, temperature: float, joint: str, times: float
):
    thickness = times * cooling.transition_thickness_mm(heat, temperature, joint=joint)
    figure = cooling.cooling_time(heat, thickness_mm=thickness, preheat_c=temperature, joint=joint)
    factors = cooling.JOINTS[joint]
    thin = cooling.thin_plate_s(heat, temperature, thickness_mm=thickness, factor=factors.thin)
    thick = cooling.thick_plate_s(heat, temperature, factor=factors.thick)
    assert figure.number == max(thin, thick)
    if abs(times - 1.0) > 1e-6:
        assert ("two-dimensional heat flow" in figure.notes[0]) == (times < 1.0)


@settings(deadline=None)
@given(HEAT, st.floats(0.0, 240.0), JOINT, st.floats(2.0, 60.0))
def test_a_warmer_plate_and_more_heat_cool_more_slowly(heat: float, temperature: float, joint: str, thickness: float):
    def time(q: float, t: float, d: float = thickness) -> float:
        return cooling.cooling_time(q, thickness_mm=d, preheat_c=t, joint=joint).number

    first = time(heat, temperature)
    assert time(heat, temperature + 10.0) > first
    assert time(1.1 * heat, temperature) > first
    assert time(heat, temperature, 1.1 * thickness) <= first


def test_the_constants_answer_to_the_properties_of_hot_steel():
    # Rosenthal: 1/(2 pi lambda) and 1/(4 pi lambda rho c), with Q in kJ/mm; handbook steel has 20-45 W/(m K) and
    # 4e-3 to 8e-3 J/(mm3 K).
    conductivity = 1000.0 / (2 * 3.141592653589793 * cooling.THICK)  # W/(mm K)
    assert 0.020 < conductivity < 0.045
    heat_capacity = 1e6 / (4 * 3.141592653589793 * conductivity * cooling.THIN)
    assert 4e-3 < heat_capacity < 8e-3


@pytest.mark.parametrize("temperature", [0.0, 250.0])
def test_the_edge_of_the_temperatures_holds(temperature: float):
    figure = cooling.cooling_time(1.0, thickness_mm=10.0, preheat_c=temperature, joint="butt")
    assert figure.valid
    assert figure.number > 0.0


@pytest.mark.parametrize(
    ("temperature", "broken"), [(-1.0, "below 0 °C"), (251.0, "above 250 °C"), (900.0, "above 250")]
)
def test_beyond_the_edge_no_number_is_given_and_the_bound_is_named(temperature: float, broken: str):
    for figure in (
        cooling.cooling_time(1.0, thickness_mm=10.0, preheat_c=temperature, joint="butt"),
        cooling.transition_thickness(1.0, preheat_c=temperature, joint="butt"),
    ):
        assert not figure.valid
        assert figure.value is None
        assert broken in figure.notes[0]
        with pytest.raises(ValueError, match="not a single valid number"):
            _ = figure.number


def test_both_formulas_stand_in_the_notes():
    figure = cooling.cooling_time(0.3456, thickness_mm=6.0, preheat_c=20.0, joint="tee")
    assert "two-dimensional 1.697 s, three-dimensional 1.225 s" in figure.notes[0]
    assert "7.062 mm" in figure.notes[0]


def test_the_transition_thickness_figure_is_that_of_the_formula():
    figure = cooling.transition_thickness(1.0, preheat_c=20.0, joint="plate")
    assert figure.number == pytest.approx(14.659, abs=5e-4)
    assert figure.inputs["joint"] == "plate"
