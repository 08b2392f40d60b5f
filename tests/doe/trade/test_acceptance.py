from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.trade import aws_d11, iso_5817
from doe.trade.acceptance import AWS, ISO, NEEDS, acceptance_limit

ISO_ROWS = [
    # ISO 5817:2014 Table 1, level C seen, others from memory: name, level, sizes, limit, whether from memory.
    ("undercut-limit", "B", {"thickness": 6.0}, 0.3, True),
    ("undercut-limit", "C", {"thickness": 4.0}, 0.4, False),
    ("undercut-limit", "C", {"thickness": 10.0}, 0.5, False),
    ("undercut-limit", "D", {"thickness": 10.0}, 1.0, True),
    ("convexity-limit", "C", {"width": 8.0}, 2.2, False),
    ("convexity-limit", "B", {"width": 30.0}, 3.0, True),
    ("convexity-limit", "D", {"width": 8.0}, 3.0, True),
    ("leg-difference-limit", "C", {"throat": 4.0}, 2.6, False),
    ("leg-difference-limit", "B", {"throat": 4.0}, 2.1, True),
    ("leg-difference-limit", "D", {"throat": 4.0}, 2.8, True),
]


@pytest.mark.parametrize(("name", "level", "sizes", "limit", "from_memory"), ISO_ROWS)
def test_an_iso_limit_goes_by_level_and_size(
    name: str, level: str, sizes: dict[str, float], limit: float, from_memory: bool
):
    figure = acceptance_limit(name, ISO, level=level, sizes=sizes)  # type: ignore[arg-type]
    assert figure.number == pytest.approx(limit)
    assert figure.from_memory is from_memory
    assert "ISO 5817:2014" in figure.source


def test_iso_pores_are_limited_by_diameter():
    figure = acceptance_limit("porosity-limit", ISO, level="C", sizes={"throat": 4.0})
    value = dict(figure.value)  # type: ignore[arg-type]
    assert value == pytest.approx(
        {
            "surface_pore": 0.8,
            "internal_pore": 1.2,
            "area_single_layer_percent": 1.5,
            "area_multilayer_percent": 3.0,
        }
    )
    assert "a count alone cannot be judged" in figure.notes[1]


def test_level_b_permits_no_surface_pore_at_any_size():
    assert iso_5817.SURFACE_PORE["B"].at(50.0) == 0.0
    assert str(iso_5817.SURFACE_PORE["B"]) == "not permitted"


@pytest.mark.parametrize("name", ["undercut-limit", "porosity-limit", "convexity-limit", "leg-difference-limit"])
def test_plate_up_to_3_mm_is_outside_the_iso_limits(name: str):
    sizes = {"throat": 4.0, "width": 8.0}
    assert acceptance_limit(name, ISO, level="C", sizes={**sizes, "thickness": 3.1}).valid  # type: ignore[arg-type]
    thin = acceptance_limit(name, ISO, level="C", sizes={**sizes, "thickness": 3.0})  # type: ignore[arg-type]
    assert thin.value is None
    assert "over 3 mm" in thin.notes[0]


@settings(deadline=None)
@given(st.sampled_from(["B", "C", "D"]), st.floats(2.0, 30.0), st.floats(0.1, 5.0))
def test_iso_limits_never_shrink_with_size_nor_from_b_to_d(level: str, size: float, more: float):
    for table in (
        iso_5817.SURFACE_PORE,
        iso_5817.INTERNAL_PORE,
        iso_5817.UNDERCUT,
        iso_5817.CONVEXITY,
        iso_5817.LEG_DIFFERENCE,
        iso_5817.THROAT_SHORTFALL,
        iso_5817.ROOT_GAP,
    ):
        assert table[level].at(size + more) >= table[level].at(size)
        assert table["B"].at(size) <= table["C"].at(size) <= table["D"].at(size)


def test_short_means_25_mm_in_100_or_a_quarter_of_a_shorter_weld():
    # ISO 5817, from memory.
    assert iso_5817.is_short(25.0, weld_mm=300.0)
    assert not iso_5817.is_short(26.0, weld_mm=300.0)
    assert iso_5817.is_short(15.0, weld_mm=60.0)
    assert not iso_5817.is_short(16.0, weld_mm=60.0)


@pytest.mark.parametrize(
    ("thickness", "leg"), [(3.0, 3), (6.0, 3), (6.1, 5), (12.0, 5), (12.1, 6), (20.0, 6), (20.1, 8)]
)
def test_the_minimum_fillet_changes_over_the_bound(thickness: float, leg: int):
    # AISC Table J2.4, AWS D1.1 minimum fillet table: seen.
    figure = acceptance_limit("minimum-fillet", AWS, sizes={"thickness": thickness})
    assert (figure.number, figure.unit, figure.from_memory) == (leg, "mm", False)


@pytest.mark.parametrize(
    ("inches", "leg"), [(0.25, 1 / 8), (0.26, 3 / 16), (0.5, 3 / 16), (0.75, 1 / 4), (0.76, 5 / 16)]
)
def test_a_quarter_inch_plate_takes_the_inch_row(inches: float, leg: float):
    figure = acceptance_limit("minimum-fillet", AWS, sizes={"thickness": 25.4 * inches}, in_inches=True)
    assert (figure.number, figure.unit) == (leg, "in")


def test_the_allowed_undersize_between_rows_is_the_smaller():
    assert [aws_d11.allowed_undersize_mm(leg) for leg in (4.0, 5.5, 6.0, 7.0, 8.0, 12.0)] == [2, 2, 2.5, 2.5, 3, 3]
    assert [aws_d11.allowed_undersize_in(leg / 16) for leg in (3, 4, 5)] == [1 / 16, 3 / 32, 1 / 8]


def test_aws_undercut_holds_under_25_mm_only():
    assert acceptance_limit("undercut-limit", AWS, sizes={"thickness": 24.9}).number == 1.0
    assert acceptance_limit("undercut-limit", AWS, sizes={"thickness": 25.0}).value is None


@pytest.mark.parametrize(("depth", "length", "allowed"), [(1.0, 300.0, True), (2.0, 50.0, True), (2.0, 51.0, False)])
def test_a_deeper_undercut_is_allowed_over_a_short_length_only(depth: float, length: float, allowed: bool):
    assert aws_d11.undercut_is_allowed(depth, length_over_1_mm=length) is allowed
    assert not aws_d11.undercut_is_allowed(2.1, length_over_1_mm=1.0)


def test_aws_convexity_goes_by_the_face_and_ends_at_25_mm():
    limits = [acceptance_limit("convexity-limit", AWS, sizes={"width": w}).value for w in (8.0, 8.1, 25.0, 25.1)]
    assert limits == [2.0, 3.0, 3.0, None]


def test_aws_pores_are_limited_by_sums_of_diameters():
    figure = acceptance_limit("porosity-limit", AWS, sizes={})
    assert figure.value == {"smallest_counted": 1.0, "sum_in_25_mm": 10.0, "sum_in_300_mm": 20.0}
    assert "a count alone cannot be judged" in figure.notes[0]


def test_what_a_standard_does_not_limit_has_no_number():
    assert "sets no minimum fillet size" in acceptance_limit("minimum-fillet", ISO, sizes={}).notes[0]
    assert "sets no limit on the difference" in acceptance_limit("leg-difference-limit", AWS, sizes={}).notes[0]


@pytest.mark.parametrize(("name", "standard"), list(NEEDS))
def test_every_limit_names_its_edition_and_what_a_coupon_is_not(name: str, standard: str):
    sizes = {"thickness": 6.0, "throat": 4.0, "width": 8.0}
    figure = acceptance_limit(name, standard, level="C", sizes=sizes)  # type: ignore[arg-type]
    assert any(edition in figure.source for edition in ("5817:2014", "D1.1:2015"))
    assert "qualifies neither a procedure nor a welder" in figure.notes[-1]
    assert figure.inputs["standard"] == standard


def test_the_worst_stretch_is_found_wherever_it_begins():
    diameters, places = (4.0, 4.0, 4.0, 1.0), (100.0, 110.0, 125.0, 200.0)
    assert aws_d11.worst_sum_mm(diameters, places, length_mm=25.0) == 12.0
    assert aws_d11.worst_sum_mm(diameters, places, length_mm=24.0) == 8.0
    assert aws_d11.worst_sum_mm((), (), length_mm=25.0) == 0.0


def test_root_gaps_are_limited_by_the_throat():
    # ISO 5817 fit-up of fillets, from memory.
    assert [iso_5817.root_gap_limit_mm(level, 4.0) for level in "BCD"] == pytest.approx([0.9, 1.3, 2.2])
