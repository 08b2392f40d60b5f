"""Fits and windows do not depend on the order of rows or factors, on the units, or on the threads of linear algebra.

Tolerances: the textbook's fit moves by rounding alone, so that 1e-6 is asked of it. With priors, estimates are taken
from some thousand draws; another order of factors meets other random numbers, and moves a mean by a few per cent of its
standard error: 15 % is allowed. Another order of rows and other units meet the same random numbers. The window must be
the same.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from doe.bench import read_results
from doe.models import fit_responses
from doe.study import read_study
from doe.window import find_window

INCH = 25.4
METRIC = {
    "voltage": 'name = "voltage"\nunit = "V"\nlow = 17.0\nhigh = 23.0\nstep = 1.0\n',
    "feed": 'name = "feed"\nunit = "m/min"\nlow = 5.08\nhigh = 10.16\nstep = 0.508\n',
}
CUSTOMARY = {**METRIC, "feed": 'name = "feed"\nunit = "in/min"\nlow = 200\nhigh = 400\nstep = 20\n'}


@cache
def welds() -> tuple[tuple[str, float, float, float], ...]:
    """Fourteen welds: name, volts, feed in in/min, penetration in inches; invented, a bent surface with scatter."""
    rng = np.random.default_rng(5)
    dials = [(v, f) for v in (17.0, 20.0, 23.0) for f in (200.0, 300.0, 400.0)] + [(20.0, 300.0)] * 5
    found = []
    for i, (volts, feed) in enumerate(dials, start=1):
        x, y = (volts - 20) / 3, (feed - 300) / 100
        mm = 2.6 + 0.35 * x + 0.5 * y - 0.25 * x * x - 0.15 * y * y + 0.1 * x * y + 0.08 * rng.standard_normal()
        found.append((f"W{i:02d}", volts, feed, round(mm / INCH, 6)))
    return tuple(found)


def write(folder: Path, *, order: Sequence[int], factors: Sequence[str], units: str) -> None:
    """Write the study and its results."""
    folder.mkdir(parents=True, exist_ok=True)
    dials = METRIC if units == "metric" else CUSTOMARY
    length, speed = ("mm", "m/min") if units == "metric" else ("in", "in/min")
    least = "1.905" if units == "metric" else "0.075"
    parts = [f'[study]\ntitle = "Lugs"\nunits = "{units}"\n', *(f"[[factor]]\n{dials[name]}" for name in factors)]
    parts.append(f'[[response]]\nname = "penetration"\nkind = "measure"\nunit = "{length}"\nat_least = {least}\n')
    (folder / "study.toml").write_text("\n".join(parts))
    heading = {"voltage": "voltage [V]", "feed": f"feed [{speed}]"}
    rows = [",".join(["weld", "plate", "order", *(heading[name] for name in factors), f"penetration [{length}]"])]
    for i in order:
        name, volts, feed, depth = welds()[i]
        dial = {"voltage": f"{volts:g}", "feed": f"{feed * (0.0254 if units == 'metric' else 1):.10g}"}
        reading = depth * (INCH if units == "metric" else 1)
        rows.append(",".join([name, f"P{i}", str(i + 1), *(dial[name] for name in factors), f"{reading:.12g}"]))
    (folder / "results.csv").write_text("\n".join(rows) + "\n")


def answer(folder: Path, *, textbook: bool) -> dict[str, Any]:
    """Fit and find the window; terms by the factors in them, lengths in inches, feed in in/min."""
    study = read_study(folder)
    fit = fit_responses(read_results(folder, study), seed=1, textbook=textbook)
    per = INCH if study.units == "metric" else 1.0
    terms = fit.to_dict()["responses"]["penetration"]["terms"]  # type: ignore[index]
    window = find_window(fit, seed=1).to_dict()
    return {
        "terms": {
            tuple(sorted(term["term"].split("*"))): np.array([term[k] for k in ("estimate", "se", "low", "high")]) / per
            for term in terms
        },
        "window": _in_one_unit(window["window"], study.units),
        "found": window["found"],
    }


def _in_one_unit(window: Mapping[str, Any] | None, units: str) -> dict[str, tuple[float, float]]:
    per = {"voltage": 1.0, "feed": 0.0254 if units == "metric" else 1.0}
    return {name: (side["low"] / per[name], side["high"] / per[name]) for name, side in (window or {}).items()}


@pytest.fixture(scope="module", params=[False, True], ids=["with priors", "textbook"])
def plain(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> tuple[dict[str, Any], bool, Path]:
    folder = tmp_path_factory.mktemp("plain")
    write(folder, order=range(14), factors=("voltage", "feed"), units="metric")
    return answer(folder, textbook=request.param), request.param, folder


def assert_same(found: Mapping[str, Any], plain: Mapping[str, Any], *, of_error: float = 0.0) -> None:
    """Compare; ``of_error`` is what the draws may move a number, as a share of its standard error."""
    assert found["found"] == plain["found"] is True
    assert set(found["terms"]) == set(plain["terms"])
    scale = max(np.abs(values).max() for values in plain["terms"].values())
    for term, values in plain["terms"].items():
        slack = 1e-6 * scale + of_error * values[1]
        np.testing.assert_allclose(found["terms"][term], values, rtol=1e-6, atol=slack, err_msg=str(term))
    assert set(found["window"]) == set(plain["window"])
    for name, side in plain["window"].items():
        np.testing.assert_allclose(found["window"][name], side, rtol=1e-9)


@settings(max_examples=4, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(order=st.permutations(range(14)))
@example(order=[0, 1, 5, 3, 4, 2, 6, 7, 8, 9, 10, 11, 12, 13])
def test_the_order_of_rows_does_not_matter(plain: tuple[dict[str, Any], bool, Path], order: list[int]):
    folder = plain[2] / "rows"
    write(folder, order=order, factors=("voltage", "feed"), units="metric")
    assert_same(answer(folder, textbook=plain[1]), plain[0])


def test_the_order_of_factors_does_not_matter(plain: tuple[dict[str, Any], bool, Path]):
    folder = plain[2] / "factors"
    write(folder, order=range(14), factors=("feed", "voltage"), units="metric")
    assert_same(answer(folder, textbook=plain[1]), plain[0], of_error=0.0 if plain[1] else 0.15)


def test_the_units_do_not_matter(plain: tuple[dict[str, Any], bool, Path]):
    folder = plain[2] / "units"
    write(folder, order=range(14), factors=("voltage", "feed"), units="us")
    assert_same(answer(folder, textbook=plain[1]), plain[0])


def test_the_threads_of_linear_algebra_do_not_matter(plain: tuple[dict[str, Any], bool, Path]):
    said = []
    for threads in ("1", "2"):
        environment = {**os.environ, **dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"), threads)}
        command = [sys.executable, "-m", "cli.main", "window", str(plain[2]), "--json"]
        command += ["--textbook"] if plain[1] else []
        done = subprocess.run(command, env=environment, capture_output=True, text=True, check=True)
        said.append(json.loads(done.stdout))
    first, second = said
    assert first["window"] == second["window"]
    assert first["confidence"] == pytest.approx(second["confidence"], rel=1e-6)
