from __future__ import annotations

import itertools

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.models.breaker import standard_bounds
from doe.trade import breaker, cord, supply
from doe.trade.load import Circuit, supply_load, trip_is_possible


@settings(deadline=None)
@given(st.floats(1.0, 60.0), st.floats(0.4, 1.0), st.floats(0.4, 1.0), st.floats(100.0, 500.0))
def test_the_largest_arc_current_takes_the_line_current_it_was_asked_for(
    line: float, efficiency: float, factor: float, volts: float
):
    arc = supply.largest_arc_current_a(
        line, supply_voltage_v=volts, efficiency=efficiency, power_factor=factor, process="136"
    )
    power = arc * (14.0 + 0.05 * arc)
    back = supply.line_current_a(power, efficiency=efficiency, power_factor=factor, supply_voltage_v=volts)
    assert back == pytest.approx(line, rel=1e-9)


def test_the_line_current_figure_is_that_of_the_formula():
    figure = supply.line_current(18.0, 100.0, supply_voltage_v=120.0, efficiency=0.8, power_factor=0.7)
    assert figure.number == pytest.approx(26.786, abs=5e-4)
    assert "1800 W" in figure.notes[0]


@pytest.mark.parametrize(("process", "volts"), [("136", 19.0), ("SMAW", 24.0), ("TIG", 14.0)])
def test_the_load_line_goes_by_the_process(process: str, volts: float):
    # IEC 60974-1, from memory: 14 + 0.05 I, 20 + 0.04 I, 10 + 0.04 I.
    assert supply.load_voltage(100.0, process=process).number == volts


def test_the_load_line_ends_at_600_a_and_at_processes_that_have_none():
    assert supply.load_voltage(600.0, process="135").number == 44.0
    assert "above 600 A" in supply.load_voltage(600.1, process="135").notes[0]
    figure = supply.load_voltage(300.0, process="SAW")
    assert figure.value is None
    assert "process 121" in figure.notes[0]


def test_the_duty_cycle_is_refused_above_the_rated_current():
    assert supply.duty(90.0, rated_duty=0.2, current_a=90.0).number == pytest.approx(0.2)
    figure = supply.duty(90.0, rated_duty=0.2, current_a=91.0)
    assert figure.value is None
    assert "above 90 A" in figure.notes[0]


def test_the_duty_cycle_is_never_more_than_all_the_time():
    # 40.25 A is where 90 A at 20 % comes to 100 %.
    assert supply.duty(90.0, rated_duty=0.2, current_a=40.0).number == 1.0
    assert supply.duty(90.0, rated_duty=0.2, current_a=41.0).number < 1.0


@settings(deadline=None)
@given(st.floats(1.0, 100.0), st.floats(0.0, 1.0), st.floats(0.0, 1.0))
def test_the_effective_current_lies_between_idle_and_maximum(maximum: float, idle_share: float, duty: float):
    idle = idle_share * maximum
    found = supply.effective_current_a(maximum, idle_a=idle, duty=duty)
    assert idle * (1 - 1e-12) - 1e-150 <= found <= maximum * (1 + 1e-12)  # a square underflows below that


def test_the_share_of_arc_time_goes_by_the_rest_and_is_full_for_one_long_arc():
    assert supply.duty_used(30.0, 90.0) == 0.25
    assert supply.duty_used(30.0, 0.0) == 1.0
    assert supply.duty_used(700.0, 900.0) == 1.0


# --- breaker bands

IEC_16 = [
    # IEC 60898-1: 1.13 and 1.45 seen in a secondary source, the rest from memory. Ratio, shortest, longest, holds.
    (1.13, None, None, True),
    (1.14, None, None, False),
    (1.449, None, None, False),
    (1.45, None, 3600.0, False),
    (2.54, None, 3600.0, False),
    (2.55, 1.0, 60.0, False),
    (2.6, 0.1, 60.0, False),
]


@pytest.mark.parametrize(("ratio", "shortest", "longest", "holds"), IEC_16)
@pytest.mark.parametrize("curve", ["B", "C", "D"])
def test_an_iec_breaker_has_the_standards_band(
    curve: str, ratio: float, shortest: float | None, longest: float | None, holds: bool
):
    value = breaker.breaker_band(16.0, curve=curve, current_a=16.0 * ratio).value
    assert value == {"shortest": shortest, "longest": longest, "holds": holds}


@pytest.mark.parametrize(("curve", "low", "high"), [("B", 3, 5), ("C", 5, 10), ("D", 10, 20)])
def test_the_instantaneous_trip_lies_between_the_curves_multiples(curve: str, low: int, high: int):
    # IEC 60898-1, from memory: not within 0.1 s at the low end, within 0.1 s at the top.
    at_low = breaker.iec_band(low, curve=curve, rating_a=16.0)
    between = breaker.iec_band(low + 0.1, curve=curve, rating_a=16.0)
    at_high = breaker.iec_band(high, curve=curve, rating_a=16.0)
    assert (at_low.shortest_s, at_low.longest_s) == (0.1, 60.0)
    assert (between.shortest_s, between.longest_s) == (None, 60.0)
    assert (at_high.shortest_s, at_high.longest_s) == (None, 0.1)


@pytest.mark.parametrize(("rating", "longest"), [(32.0, 60.0), (40.0, 120.0), (63.0, 120.0)])
def test_a_larger_iec_breaker_may_take_twice_as_long(rating: float, longest: float):
    assert breaker.iec_band(2.55, curve="C", rating_a=rating).longest_s == longest


UL = [
    # UL 489: 100, 135 and 200 % seen, times from memory. Rating, ratio, longest, holds.
    (20.0, 1.0, None, True),
    (20.0, 1.01, None, False),
    (20.0, 1.35, 3600.0, False),
    (50.0, 1.35, 3600.0, False),
    (60.0, 1.35, 7200.0, False),
    (30.0, 2.0, 120.0, False),
    (40.0, 2.0, 240.0, False),
    (100.0, 2.0, 360.0, False),
    (20.0, 8.0, 120.0, False),
]


@pytest.mark.parametrize(("rating", "ratio", "longest", "holds"), UL)
def test_a_ul_breaker_has_the_standards_band(rating: float, ratio: float, longest: float | None, holds: bool):
    figure = breaker.breaker_band(rating, curve="UL", current_a=rating * ratio)
    assert figure.value == {"shortest": None, "longest": longest, "holds": holds}
    assert f"at most {0.8 * rating:g} A" in figure.notes[1]


@pytest.mark.parametrize(("curve", "largest"), [("B", 63.0), ("UL", 100.0)])
def test_a_breaker_larger_than_the_table_is_refused(curve: str, largest: float):
    assert breaker.breaker_band(largest, curve=curve, current_a=100.0).valid
    figure = breaker.breaker_band(largest + 1.0, curve=curve, current_a=100.0)
    assert figure.value is None
    assert f"above {largest:g} A" in figure.notes[0]


@pytest.mark.parametrize("curve", ["B", "C", "D", "UL"])
@pytest.mark.parametrize("rating", [10.0, 16.0, 32.0, 40.0, 63.0])
def test_a_higher_current_never_has_a_longer_longest_time(curve: str, rating: float):
    currents = [rating * (0.5 + 0.05 * i) for i in range(500)]
    values = [breaker.breaker_band(rating, curve=curve, current_a=current).value for current in currents]
    longest = [float("inf") if v["longest"] is None else v["longest"] for v in values]  # type: ignore[index]
    assert all(later <= earlier for earlier, later in itertools.pairwise(longest))
    for value in values:
        shortest, most = value["shortest"], value["longest"]  # type: ignore[index]
        assert shortest is None or (most is not None and shortest < most)


@pytest.mark.parametrize("curve", ["B", "C", "D", "UL"])
@pytest.mark.parametrize("rating", [16.0, 32.0, 40.0, 50.0, 60.0])
def test_the_trip_model_cuts_its_prior_at_the_same_bounds(curve: str, rating: float):
    for bound in standard_bounds(curve, rating):
        value = breaker.breaker_band(rating, curve=curve, current_a=bound.ratio * rating).value
        if value is not None:  # UL and IEC cover different ratings
            assert value["longest"] == bound.seconds  # type: ignore[index]


def test_every_band_says_that_it_is_one_and_sends_wiring_to_an_electrician():
    figure = breaker.breaker_band(16.0, curve="C", current_a=26.0)
    text = " ".join(figure.notes)
    assert "a band, not a time" in text
    assert "licensed electrician" in text
    assert "larger breaker" not in text


# --- load and cord

CIRCUIT = Circuit(voltage_v=230.0, breaker_a=16.0, curve="C", efficiency=0.8, power_factor=0.7)


def test_a_weld_is_given_its_load_on_the_breaker_in_words():
    load = supply_load(22.0, 160.0, CIRCUIT)
    assert load.arc_power_w == 3520.0
    assert load.breaker_ratio == pytest.approx(3520.0 / (0.8 * 0.7 * 230.0) / 16.0)
    assert load.words == "1.71 times the rating: it trips within 1 h; how soon, the standard does not say"


def test_a_load_the_standard_has_no_band_for_says_why():
    load = supply_load(22.0, 160.0, Circuit(230.0, 80.0, "C", 0.8, 0.7))
    assert load.words.startswith("breaker rating is 80 A")
    assert trip_is_possible(load.band, 1.0)


@pytest.mark.parametrize(
    ("ratio", "seconds", "possible"), [(1.13, 600.0, False), (2.55, 0.5, False), (2.55, 30.0, True)]
)
def test_a_trip_within_an_arc_time_is_possible_where_the_band_leaves_room(ratio: float, seconds: float, possible: bool):
    assert trip_is_possible(breaker.breaker_band(16.0, curve="B", current_a=16.0 * ratio), seconds) is possible


@pytest.mark.parametrize(("gauge", "feet", "amps", "volts"), [("14 AWG", 50, 20, 6.28), ("10 AWG", 50, 25, 3.1)])
def test_the_cord_drop_of_the_facts_is_met(gauge: str, feet: float, amps: float, volts: float):
    # NEC chapter 9 Table 8, from memory; worked in the facts of the trade.
    assert cord.cord_drop(feet * 0.3048, gauge=gauge, current_a=amps).number == pytest.approx(volts, abs=5e-3)


def test_neighbouring_metric_and_american_cords_agree_by_their_sections():
    # 14 AWG is 2.08 mm2 and 12 AWG 3.31 mm2 (ASTM B258): 2.5 mm2 lies between them.
    between = cord.core_ohm_per_m("2.5 mm2")
    assert cord.core_ohm_per_m("12 AWG") < between < cord.core_ohm_per_m("14 AWG")
    # Copper at 75 C has 0.0175 * 1.216 = 0.0213 ohm mm2/m; flexible cores have a few per cent more.
    for section, gauge in ((0.75, "0.75 mm2"), (1.5, "1.5 mm2"), (6.0, "6 mm2")):
        assert cord.core_ohm_per_m(gauge) * section == pytest.approx(0.0213, rel=0.15)


@settings(deadline=None)
@given(st.floats(1.0, 100.0), st.floats(1.0, 60.0), st.sampled_from(["16 AWG", "12 AWG", "1.5 mm2", "4 mm2"]))
def test_the_cord_drop_goes_with_length_and_current(length: float, amps: float, gauge: str):
    once = cord.cord_drop(length, gauge=gauge, current_a=amps).number
    assert cord.cord_drop(2 * length, gauge=gauge, current_a=amps).number == pytest.approx(2 * once)
    assert cord.cord_drop(length, gauge=gauge, current_a=2 * amps).number == pytest.approx(2 * once)
