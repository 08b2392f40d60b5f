"""Small exact posteriors, so that the window can be tested without the models."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest
from scipy import special

from doe.bench.results import Results
from doe.coding import FloatArray
from doe.models.fit import Fit, Points, Posterior, ResponseFit
from doe.study.model import Claim, Factor, PlanWishes, Response, Study

Basis = Callable[[FloatArray], FloatArray]


@dataclass(frozen=True, eq=False)
class NormalPosterior:
    """Normal readings of known scatter around a linear surface; the coefficients are drawn."""

    basis: Basis
    coefficients: FloatArray  # (n_draws, n_terms)
    scatter: float
    at_least: float
    later_shift: float = 0.0
    settled: bool = True

    @property
    def n_draws(self) -> int:
        return len(self.coefficients)

    def mean(self, points: Points) -> FloatArray:
        return self.coefficients @ self.basis(points.natural).T + self.later_shift * points.later

    def failure(self, points: Points) -> FloatArray:
        return special.ndtr((self.at_least - self.mean(points)) / self.scatter)

    def weld_band(self, points: Points, *, level: float) -> tuple[FloatArray, FloatArray]:
        mean = self.mean(points)
        wide = special.ndtri(0.5 + level / 2) * np.hypot(self.scatter, mean.std(axis=0))
        return mean.mean(axis=0) - wide, mean.mean(axis=0) + wide


@dataclass(frozen=True, eq=False)
class NormalModel:
    """The exact posterior of the coefficients: normal with this mean and covariance."""

    basis: Basis
    mean: FloatArray
    covariance: FloatArray
    scatter: float
    at_least: float
    later_shift: float = 0.0

    def draw(self, n_draws: int, rng: np.random.Generator) -> Posterior:
        root = np.linalg.cholesky(self.covariance + 1e-14 * np.eye(len(self.mean)))
        coefficients = self.mean + rng.standard_normal((n_draws, len(self.mean))) @ root.T
        return NormalPosterior(self.basis, coefficients, self.scatter, self.at_least, self.later_shift)


def squares(study: Study) -> Basis:
    """1, x and x^2 of every numeric factor in coded units."""

    def basis(natural: FloatArray) -> FloatArray:
        coded = study.coding.to_coded(natural)
        numeric = [j for j, f in enumerate(study.factors) if not f.is_kind]
        return np.column_stack([np.ones(len(coded)), coded[:, numeric], coded[:, numeric] ** 2])

    return basis


@dataclass(frozen=True)
class Bench:
    """Makes studies, models and fits for the tests of this folder."""

    folder: Path
    NormalModel: type[NormalModel] = field(default=NormalModel)

    def study(
        self,
        factors: Sequence[Factor] | None = None,
        responses: Sequence[Response] | None = None,
        *,
        claim: Claim | None = None,
        plan: PlanWishes | None = None,
        **more: object,
    ) -> Study:
        steps = tuple(float(v) for v in np.linspace(5.0, 9.0, 9))
        volts = tuple(float(v) for v in np.linspace(17.0, 23.0, 7))
        default = (Factor("voltage", "voltage", "V", volts), Factor("feed", "feed", "m/min", steps))
        return Study(
            title="Made for a test",
            factors=tuple(factors or default),
            responses=tuple(responses or (Response("penetration", "measure", "mm", at_least=1.0),)),
            claim=claim or Claim(),
            plan=plan or PlanWishes(),
            folder=self.folder,
            **more,  # type: ignore[arg-type]
        )

    def hill(  # noqa: PLR0913 - a test's own numbers by name
        self,
        study: Study,
        *,
        top: float = 2.0,
        drop: float = 1.0,
        unsure: float = 0.1,
        scatter: float = 0.3,
        at_least: float = 1.0,
        later_shift: float = 0.0,
    ) -> NormalModel:
        """A surface that is ``top`` in the middle and falls by ``drop`` to each edge, known to within ``unsure``."""
        n = sum(not f.is_kind for f in study.factors)
        mean = np.array([top, *[0.0] * n, *[-drop] * n])
        return NormalModel(squares(study), mean, unsure**2 * np.eye(2 * n + 1), scatter, at_least, later_shift)

    def results(self, study: Study, settings: FloatArray, *, actual: FloatArray | None = None) -> Results:
        n = len(settings)
        names = tuple(f"W{i + 1:02d}" for i in range(n))
        return Results(
            study=study,
            weld=names,
            plate=names,
            block=("",) * n,
            role=("plan",) * n,
            file=("results.csv",) * n,
            position=np.arange(n) % study.plan.welds_per_plate + 1,
            order=np.arange(n) + 1,
            row=np.arange(n) + 2,
            planned=settings,
            settings=settings if actual is None else actual,
            status=("done",) * n,
            readings={},
        )

    def corners(self, study: Study) -> FloatArray:
        """Every corner of the region."""
        ends = [f.positions if f.is_kind else np.array([f.low, f.high]) for f in study.factors]
        return np.column_stack([g.ravel() for g in np.meshgrid(*ends, indexing="ij")])

    def fit(
        self,
        study: Study,
        models: Mapping[str, NormalModel],
        *,
        results: Results | None = None,
        conditions: Mapping[str, Mapping[str, object]] | None = None,
        **changes: object,
    ) -> Fit:
        known = conditions or {}
        fits = tuple(
            ResponseFit(r, "made", 18, (), model=models[r.name], conditions=known.get(r.name, {}), **changes)  # type: ignore[arg-type]
            for r in study.responses
            if r.name in models
        )
        left_out = tuple(r.name for r in study.responses if r.name not in models)
        made = results if results is not None else self.results(study, self.corners(study))
        return Fit(made, study.coding, fits, left_out, seed=1)


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    """Makes studies, models and fits."""
    return Bench(tmp_path)
