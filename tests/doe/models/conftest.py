"""A small study and results of it, made from the objects."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path

import numpy as np
import pytest

from doe.bench.results import Measurement, Readings, Results
from doe.coding import FloatArray
from doe.study.model import Factor, PlanWishes, Response, Study

MakeResults = Callable[..., Results]


@pytest.fixture
def lug_study(tmp_path: Path) -> Study:
    """Voltage, feed and preheat; plates of two welds, the later one started cooled; one measure."""
    return Study(
        title="lugs",
        factors=(
            Factor("voltage", "voltage", "V", (17.0, 18.0, 19.0, 20.0, 21.0, 22.0)),
            Factor("feed", "feed", "m/min", tuple(float(v) for v in np.arange(5.0, 9.25, 0.5))),
            Factor("preheat", "preheat", "degC", (20.0, 70.0, 120.0), hard_to_change=True),
        ),
        responses=(Response("depth", "measure", "mm", at_least=1.2),),
        plan=PlanWishes(welds_per_plate=2),
        folder=tmp_path,
    )


@pytest.fixture
def lug_settings() -> FloatArray:
    """Sixteen coded settings on eight plates: second order can be estimated, two settings are repeated."""
    cells = [
        ((-1.0, -1.0), (1.0, 1.0), -1.0),
        ((1.0, -1.0), (-1.0, 1.0), 1.0),
        ((-0.2, 0.0), (1.0, 0.0), 0.0),
        ((-1.0, 0.25), (0.2, -1.0), 0.0),
        ((-0.2, 0.0), (0.2, 1.0), 0.0),
        ((-1.0, -1.0), (1.0, 1.0), 1.0),
        ((1.0, -1.0), (-1.0, 1.0), -1.0),
        ((-0.2, 0.0), (0.6, 0.5), 0.0),
    ]
    return np.array([(*weld, preheat) for first, later, preheat in cells for weld in (first, later)])


@pytest.fixture
def make_results() -> MakeResults:
    """Make results from coded settings and readings; whatever else is given replaces a field."""

    def make(
        study: Study, coded: FloatArray, readings: Mapping[str, Readings | FloatArray], **fields: object
    ) -> Results:
        n = len(coded)
        natural = study.coding.to_natural(coded)
        held = {
            name: value if not isinstance(value, np.ndarray) else Measurement(value.reshape(n, -1), np.full(n, np.inf))
            for name, value in readings.items()
        }
        table: dict[str, object] = {
            "weld": tuple(f"W{i + 1:02}" for i in range(n)),
            "plate": tuple(f"P{i // study.plan.welds_per_plate + 1:02}" for i in range(n)),
            "block": ("",) * n,
            "role": ("plan",) * n,
            "file": ("results.csv",) * n,
            "position": np.arange(n) % study.plan.welds_per_plate + 1,
            "order": np.arange(n) + 1,
            "row": np.arange(n) + 2,
            "planned": natural,
            "settings": natural.copy(),
            "status": ("done",) * n,
            "readings": held,
        }
        return Results(study=study, **{**table, **fields})  # type: ignore[arg-type]

    return make
