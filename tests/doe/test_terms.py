from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from doe.coding import Coding, FactorCoding
from doe.errors import DoeError
from doe.terms import (
    CONSTANT,
    Term,
    change_of_basis,
    generic_points,
    model_matrix,
    multiply,
    parse_term,
    polynomial_terms,
    to_reference,
)

CODING = Coding(
    (FactorCoding("voltage", 20, 2), FactorCoding("wire", kinds=("A", "B", "C")), FactorCoding("wire feed", 7, 2))
)


def names(terms: tuple[Term, ...]) -> list[str]:
    return [str(term) for term in terms]


def test_the_named_models_have_the_textbook_terms():
    plain = Coding((FactorCoding("v"), FactorCoding("f")))
    assert names(polynomial_terms(plain, "first order")) == ["constant", "v", "f"]
    assert names(polynomial_terms(plain, "first order with products")) == ["constant", "v", "f", "v*f"]
    assert names(polynomial_terms(plain, "second order")) == ["constant", "v", "f", "v*f", "v^2", "f^2"]


def test_kinds_enter_by_contrasts_and_products():
    terms = names(polynomial_terms(CODING, "second order", contrast="reference"))
    assert {"wire=B", "wire=C", "wire=B*voltage", "wire=C*wire feed", "voltage^2"} <= set(terms)
    assert not any("^2" in term and "wire=" in term for term in terms)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("constant", ["constant"]),
        ("voltage", ["voltage"]),
        ("voltage*wire feed", ["voltage*wire feed"]),
        ("voltage^2", ["voltage^2"]),
        ("voltage^5", ["voltage^5"]),
        ("voltage*voltage", ["voltage^2"]),
        ("wire=B*wire feed", ["wire=B*wire feed"]),
        ("wire*voltage", ["wire=A*voltage", "wire=B*voltage"]),
    ],
)
def test_a_term_is_read_as_it_is_written(text: str, expected: list[str]):
    assert names(parse_term(text, CODING)) == expected


@pytest.mark.parametrize(
    "text", ["amps", "voltage^", "voltage^0", "voltage^-1", "wire^2", "wire=D", "", "voltage+wire"]
)
def test_a_term_that_is_not_understood_says_what_is_accepted(text: str):
    with pytest.raises(DoeError, match=r"accepted are “constant” and products"):
        parse_term(text, CODING)


def test_columns_are_products_of_powers_and_contrasts():
    coded = np.array([[0.5, 0, -1.0], [0.5, 1, 2.0], [0.5, 2, 3.0]])
    terms = (CONSTANT, *parse_term("voltage^2*wire feed", CODING), *parse_term("wire*wire feed", CODING))
    expected = [[1, -0.25, -1, 0], [1, 0.5, 0, 2], [1, 0.75, -3, -3]]
    assert_allclose(model_matrix(terms, coded, CODING), expected)


def test_sum_to_zero_and_reference_models_predict_alike():
    terms = polynomial_terms(CODING, "second order")
    points = generic_points(CODING, 60)
    inside = model_matrix(terms, points, CODING)
    outside = model_matrix(to_reference(terms, CODING), points, CODING, contrast="reference")
    basis = change_of_basis(inside, outside)
    rng = np.random.default_rng(2)
    coefficients = rng.normal(size=len(terms))
    assert_allclose(outside @ (basis @ coefficients), inside @ coefficients, atol=1e-9)


def test_the_reference_coefficient_is_the_difference_from_the_first_kind():
    coding = Coding((FactorCoding("wire", kinds=("A", "B", "C")),))
    terms = polynomial_terms(coding, "first order")
    points = np.array([[0.0], [1.0], [2.0]])
    basis = change_of_basis(
        model_matrix(terms, points, coding),
        model_matrix(to_reference(terms, coding), points, coding, contrast="reference"),
    )
    means = np.array([3.0, 5.0, 10.0])
    inside = np.linalg.solve(model_matrix(terms, points, coding), means)
    assert_allclose(basis @ inside, [3.0, 2.0, 7.0])


def test_spaces_that_differ_are_refused():
    points = generic_points(CODING, 30)
    first = model_matrix(parse_term("voltage", CODING), points, CODING)
    other = model_matrix(parse_term("wire feed", CODING), points, CODING)
    with pytest.raises(ValueError, match="same space"):
        change_of_basis(first, other)


def test_terms_multiply_and_count_their_order():
    product = multiply(parse_term("wire=A*voltage", CODING)[0], parse_term("voltage*wire feed", CODING)[0], CODING)
    assert str(product) == "wire=A*voltage^2*wire feed"
    assert product.order == 4
    assert product.factors == ("wire", "voltage", "wire feed")
