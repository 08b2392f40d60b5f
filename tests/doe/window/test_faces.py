"""The ground just outside a face of a box: few settings, its corners among them, however many factors there are."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from doe.study.model import Factor
from doe.window.search import FACE_SETTINGS, face_layer


@pytest.mark.parametrize(("n_factors", "n_values"), [(3, 5), (5, 5), (6, 4), (8, 3)])
def test_a_face_has_few_settings_and_its_corners(n_factors: int, n_values: int):
    factors = tuple(Factor(f"dial{j}", "other", "", tuple(float(v) for v in range(9))) for j in range(n_factors))
    region = SimpleNamespace(study=SimpleNamespace(factors=factors))
    layer = face_layer(region, ((1.0,) * n_factors, (7.0,) * n_factors), 1, 8.0)
    assert len(layer) == n_values ** (n_factors - 1) <= FACE_SETTINGS
    assert set(layer[:, 1]) == {8.0}
    others = np.delete(layer, 1, axis=1)
    assert {tuple(row) for row in others} >= {(1.0,) * (n_factors - 1), (7.0,) * (n_factors - 1)}
