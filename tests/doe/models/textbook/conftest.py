"""Published data as studies and results, made from the objects."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd
import pytest

from doe.bench.results import Counts, Measurement, Passes, Readings, Results, Trips
from doe.models.fit import ResponseFit
from doe.models.textbook import fit_textbook
from doe.study.model import Claim, Factor, PlanWishes, Response, Study

REFERENCE = Path(__file__).parents[3] / "reference"
Column = npt.ArrayLike


@dataclass(frozen=True, eq=False)
class Case:
    """One published case: its data, and what was printed about it."""

    name: str
    data: pd.DataFrame
    published: tuple[Mapping[str, object], ...]


@pytest.fixture(scope="session")
def case() -> Callable[[str], Case]:
    """Read a case of tests/reference/statistics."""

    def read(name: str) -> Case:
        folder = REFERENCE / "statistics" / name
        result = json.loads((folder / "result.json").read_text(encoding="utf-8"))
        data = pd.read_csv(folder / "data.csv")
        return Case(name, data, tuple(result["published"]))

    return read


@dataclass(frozen=True, eq=False)
class Experiment:
    """A textbook experiment: settings a factor (texts are kinds), readings, and how it was laid out."""

    settings: Mapping[str, Sequence[float] | Sequence[str]]
    terms: Sequence[str] = ()
    coding: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    plate: Sequence[str] | None = None
    block: Sequence[str] | None = None
    position: Sequence[int] | None = None
    wishes: Mapping[str, object] = field(default_factory=dict)

    def study(self, responses: Sequence[Response], *, confidence: float = 0.90) -> Study:
        coding = self.coding or {name: (0.0, 1.0) for name, own in self.settings.items() if not isinstance(own[0], str)}
        return Study(
            title="A textbook experiment",
            factors=tuple(_factor(name, own) for name, own in self.settings.items()),
            responses=tuple(responses),
            plan=PlanWishes(
                terms=tuple(self.terms), coding=tuple((n, c, h) for n, (c, h) in coding.items()), **dict(self.wishes)
            ),
            claim=Claim(confidence=confidence),
        )

    def results(self, responses: Sequence[Response], readings: Mapping[str, Readings]) -> Results:
        study = self.study(responses)
        natural = np.column_stack([_column(study.factor(name), own) for name, own in self.settings.items()])
        n = len(natural)
        return Results(
            study=study,
            weld=tuple(f"W{i + 1:02}" for i in range(n)),
            plate=tuple(self.plate) if self.plate is not None else ("",) * n,
            block=tuple(self.block) if self.block is not None else ("",) * n,
            role=("plan",) * n,
            file=("results.csv",) * n,
            position=np.array(self.position if self.position is not None else np.ones(n), dtype=np.int64),
            order=np.arange(1, n + 1),
            row=np.arange(2, n + 2),
            planned=natural,
            settings=natural,
            status=("done",) * n,
            readings=readings,
        )

    def measure(
        self, values: Column, *, full: float | Column = np.inf, level: float = 0.90, **kwargs: object
    ) -> ResponseFit:
        table = np.asarray(values, dtype=float)
        table = table[:, None] if table.ndim == 1 else table
        readings = Measurement(table, np.broadcast_to(np.asarray(full, dtype=float), (len(table),)).copy())
        return self._fit(Response("y", "measure", **kwargs), readings, level)

    def count(
        self, counts: Column, *, length_mm: Column | None = None, level: float = 0.90, **kwargs: object
    ) -> ResponseFit:
        found = np.asarray(counts, dtype=float)
        lengths = np.full(len(found), np.nan) if length_mm is None else np.asarray(length_mm, dtype=float)
        return self._fit(Response("y", "count", **kwargs), Counts(found, lengths), level)

    def passes(self, passed: Column, *, level: float = 0.90, **kwargs: object) -> ResponseFit:
        return self._fit(Response("y", "pass", **kwargs), Passes(np.asarray(passed, dtype=float)), level)

    def trip(
        self, tripped: Column, *, time_s: Column | None = None, level: float = 0.90, **kwargs: object
    ) -> ResponseFit:
        yes = np.asarray(tripped, dtype=float)
        times = np.full(len(yes), np.nan) if time_s is None else np.asarray(time_s, dtype=float)
        return self._fit(Response("y", "trip", **kwargs), Trips(yes, times), level)

    def _fit(self, response: Response, readings: Readings, level: float) -> ResponseFit:
        return fit_textbook(self.results([response], {"y": readings}), response, level=level)


def _factor(name: str, own: Sequence[float] | Sequence[str]) -> Factor:
    if isinstance(own[0], str):
        return Factor(name, kinds=tuple(dict.fromkeys(sorted(own))))
    return Factor(name, values=tuple(sorted({float(v) for v in own})))


def _column(factor: Factor, own: Sequence[float] | Sequence[str]) -> npt.NDArray[np.float64]:
    if factor.is_kind:
        return np.array([factor.kinds.index(str(kind)) for kind in own], dtype=float)
    return np.asarray(own, dtype=float)


@pytest.fixture(scope="session")
def experiment() -> type[Experiment]:
    """The maker of textbook experiments."""
    return Experiment


@pytest.fixture(scope="session")
def printed() -> Callable[[Mapping[str, object], float], bool]:
    """Compare a number with a printed one: equal to half a unit of the last printed digit, and a rounding of its own.

    The half unit is widened by a fifth, for a source that rounded twice.
    """

    def agrees(entry: Mapping[str, object], ours: float) -> bool:
        text = str(entry["value"])
        mantissa, _, exponent = text.lower().partition("e")
        decimals = len(mantissa.partition(".")[2])
        unit = 10.0 ** (int(exponent or 0) - decimals)
        return abs(ours - float(text)) <= 0.6 * unit + 4e-16 * abs(float(text))

    return agrees


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """Give a test that asks for ``published`` one published number after another, from the module's CASES."""
    if "published" not in metafunc.fixturenames:
        return
    arguments, ids = [], []
    for name in metafunc.module.CASES:
        result = json.loads((REFERENCE / "statistics" / name / "result.json").read_text(encoding="utf-8"))
        for entry in result["published"]:
            arguments.append((name, entry))
            ids.append(f"{name}: {entry['name']} ({entry['status']})")
    metafunc.parametrize("published", arguments, ids=ids)
