from __future__ import annotations

import pytest

from doe.trade.asked import Given
from doe.trade.figures import FIGURES
from doe.trade.validity import Bound, Figure, row_of

LIMIT = "standard level thickness throat width"
TABLE = {
    # The interface's table of names and inputs, word for word.
    "arc-energy": "voltage current travel",
    "heat-input": "voltage current travel process efficiency",
    "cooling-time": "heat_input thickness preheat joint",
    "transition-thickness": "heat_input thickness preheat joint",
    "carbon-equivalent": "C Mn Si Cr Mo V Ni Cu B",
    "preheat": "cet thickness hydrogen heat_input",
    "minimum-preheat": "category thickness",
    "line-current": "arc_voltage arc_current supply_voltage efficiency power_factor",
    "effective-current": "maximum_current idle_current duty",
    "duty": "rated_current rated_duty current",
    "load-voltage": "current process",
    "breaker": "rating curve current",
    "cord-drop": "length gauge current",
    "wire-feed": "current wire_diameter stickout a b",
    "wire-current": "feed wire_diameter stickout a b",
    "deposit-rate": "feed wire_diameter efficiency density_ratio",
    "fillet-leg": "feed wire_diameter yield travel convexity",
    "throat": "leg leg2",
    "minimum-fillet": LIMIT,
    "undercut-limit": LIMIT,
    "porosity-limit": LIMIT,
    "convexity-limit": LIMIT,
    "leg-difference-limit": LIMIT,
}
ASKED: dict[str, tuple[dict[str, float], dict[str, str]]] = {
    "arc-energy": ({"voltage": 18.0, "current": 100.0, "travel": 5.0}, {}),
    "heat-input": ({"voltage": 18.0, "current": 100.0, "travel": 5.0}, {"process": "136"}),
    "cooling-time": ({"heat_input": 1.0, "thickness": 10.0, "preheat": 20.0}, {"joint": "tee"}),
    "transition-thickness": ({"heat_input": 1.0, "preheat": 20.0}, {"joint": "tee"}),
    "carbon-equivalent": ({"C": 0.16, "Mn": 1.2}, {}),
    "preheat": ({"cet": 0.31, "thickness": 20.0, "hydrogen": 5.0, "heat_input": 1.0}, {}),
    "minimum-preheat": ({"thickness": 10.0}, {"category": "B"}),
    "line-current": (
        {"arc_voltage": 18.0, "arc_current": 100.0, "supply_voltage": 230.0, "efficiency": 0.8, "power_factor": 0.7},
        {},
    ),
    "effective-current": ({"maximum_current": 30.0, "idle_current": 2.0, "duty": 0.2}, {}),
    "duty": ({"rated_current": 90.0, "rated_duty": 0.2, "current": 70.0}, {}),
    "load-voltage": ({"current": 100.0}, {"process": "135"}),
    "breaker": ({"rating": 16.0, "current": 26.0}, {"curve": "C"}),
    "cord-drop": ({"length": 15.0, "current": 25.0}, {"gauge": "2.5 mm2"}),
    "wire-feed": ({"current": 100.0, "stickout": 12.0, "wire_diameter": 0.9}, {}),
    "wire-current": ({"feed": 72.0, "stickout": 12.0, "wire_diameter": 0.9}, {}),
    "deposit-rate": ({"feed": 50.0, "wire_diameter": 0.9, "efficiency": 0.95, "density_ratio": 1.0}, {}),
    "fillet-leg": ({"feed": 50.0, "wire_diameter": 0.9, "yield": 0.7, "travel": 4.0}, {}),
    "throat": ({"leg": 5.0}, {}),
    "minimum-fillet": ({"thickness": 10.0}, {"standard": "AWS D1.1"}),
    "undercut-limit": ({"thickness": 10.0}, {"standard": "ISO 5817", "level": "C"}),
    "porosity-limit": ({"throat": 4.0}, {"standard": "ISO 5817", "level": "C"}),
    "convexity-limit": ({"width": 8.0}, {"standard": "AWS D1.1"}),
    "leg-difference-limit": ({"throat": 4.0}, {"standard": "ISO 5817", "level": "C"}),
}


def test_every_figure_of_the_interface_is_there_with_its_inputs():
    assert {name: " ".join(i.name for i in figure.inputs) for name, figure in FIGURES.items()} == TABLE


@pytest.mark.parametrize("name", list(TABLE))
def test_a_figure_with_what_it_needs_has_a_value_and_misses_nothing(name: str):
    given = Given(*ASKED[name])
    figure = FIGURES[name]
    assert figure.missing(given) == ()
    assert figure.clashes(given) == ()
    found = figure.compute(given)
    assert found.valid
    assert found.value is not None
    assert found.source
    assert set(found.inputs) >= set(ASKED[name][0]) | set(ASKED[name][1])


@pytest.mark.parametrize("name", list(TABLE))
def test_each_input_a_figure_was_given_is_missed_when_it_is_not(name: str):
    numbers, words = ASKED[name]
    for left_out in (*numbers, *words):
        rest = Given(
            {k: v for k, v in numbers.items() if k != left_out}, {k: v for k, v in words.items() if k != left_out}
        )
        assert any(left_out in missed for missed in FIGURES[name].missing(rest))


def test_a_process_or_an_efficiency_is_wanted_and_not_both():
    figure = FIGURES["heat-input"]
    numbers = ASKED["heat-input"][0]
    assert figure.missing(Given(numbers, {})) == ("process or efficiency",)
    assert figure.clashes(Given({**numbers, "efficiency": 0.8}, {"process": "136"})) == (("process", "efficiency"),)
    assert figure.compute(Given({**numbers, "efficiency": 0.8}, {})).number == pytest.approx(0.8 * 0.36)


def test_one_coefficient_of_the_burn_off_asks_for_the_other():
    figure = FIGURES["wire-feed"]
    assert figure.missing(Given({"current": 100.0, "stickout": 12.0, "a": 0.5}, {})) == ("b",)
    own = Given({"current": 100.0, "stickout": 12.0, "a": 0.5, "b": 1e-4}, {})
    assert figure.missing(own) == ()
    assert figure.compute(own).number == pytest.approx(0.5 * 100 + 1e-4 * 12 * 1e4)


def test_what_a_limit_needs_goes_by_the_standard():
    figure = FIGURES["porosity-limit"]
    assert figure.missing(Given({}, {})) == ("standard",)
    assert figure.missing(Given({}, {"standard": "AWS D1.1"})) == ()
    assert figure.missing(Given({}, {"standard": "ISO 5817"})) == ("level", "throat")
    assert figure.idle(Given({"width": 8.0}, {"standard": "AWS D1.1"})) == ("width",)


def test_optional_inputs_stand_in_brackets():
    assert FIGURES["throat"].usage == "leg [leg2]"
    assert FIGURES["heat-input"].usage == "voltage current travel process or efficiency"


def test_a_value_that_is_a_mapping_is_printed_as_one():
    answer = FIGURES["breaker"].compute(Given(*ASKED["breaker"])).to_dict()
    assert answer["value"] == {"shortest": None, "longest": 3600.0, "holds": False}
    assert set(answer) == {"value", "unit", "valid", "notes", "source", "from_memory", "inputs"}


def test_a_figures_contents_cannot_be_changed():
    found: Figure = FIGURES["breaker"].compute(Given(*ASKED["breaker"]))
    with pytest.raises(TypeError, match="does not support item assignment"):
        found.value["longest"] = 1.0  # type: ignore[index]


def test_a_bound_counts_both_ends_in_and_forgives_rounding_only():
    bound = Bound("x", 0.1, 0.3)
    assert bound.breach(0.1) == bound.breach(0.3) == bound.breach(0.1 + 0.2) == ""
    assert bound.breach(0.3001) == "x is 0.3001, above 0.3: the range is 0.1 to 0.3"
    assert str(Bound("x", 1.0, 2.0, "mm")) == "x 1 to 2 mm"
    assert row_of(0.1 + 0.2, (0.3,)) == 0
