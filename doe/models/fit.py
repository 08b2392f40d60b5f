"""What a fit is: one fitted response each, able to draw from its posterior.

The window asks three things of a response, draw by draw: how likely a weld fails its requirement, where the mean
lies, and where the next weld lies. Every response kind answers through the same ``Posterior``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Protocol

import numpy as np

from doe.bench.results import Results
from doe.coding import Coding, FloatArray
from doe.study.model import Kind, Response

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, eq=False)
class Points:
    """Settings to predict at.

    Attributes
    ----------
    natural : ndarray, shape (n_points, n_factors)
        Natural settings; kinds by index.
    later : bool
        False: the first weld on a plate; True: a later weld, on a warm plate (only where ``later_welds = "warm"``).
    """

    natural: FloatArray
    later: bool = False


class Posterior(Protocol):
    """Draws from the posterior of one response."""

    @property
    def n_draws(self) -> int:
        """Number of draws."""

    @property
    def settled(self) -> bool:
        """Whether the sampler behind these draws settled: where it did not, nothing is claimed from them."""

    def failure(self, points: Points) -> FloatArray:
        """Give the chance that one weld on a new plate fails the requirement, shape (n_draws, n_points).

        Only for a response that has a requirement.
        """

    def mean(self, points: Points) -> FloatArray:
        """Give the mean, shape (n_draws, n_points).

        Measure: mean reading in the response's unit. Count: mean count over the criterion length. Trip: chance that
        the supply holds. Pass: chance of passing.
        """

    def weld_band(self, points: Points, *, level: float) -> tuple[FloatArray, FloatArray]:
        """Give the two-sided prediction band of the next weld on a new plate, each shape (n_points,).

        Draws and scatter are both averaged over. For trip and pass the band is that of the chance itself.
        """


class Model(Protocol):
    """One response's fitted model."""

    def draw(self, n_draws: int, rng: np.random.Generator) -> Posterior:
        """Draw afresh from the posterior."""


@dataclass(frozen=True)
class TermEstimate:
    """One coefficient: of a plain monomial of the coded factors; kinds as differences from the first kind."""

    term: str
    estimate: float
    se: float
    low: float
    high: float


@dataclass(frozen=True, eq=False)
class ResponseFit:
    """One response, fitted.

    Attributes
    ----------
    response : Response
    method : str
        What was done, in words.
    n : int
        Welds that entered.
    terms : tuple of TermEstimate
    numbers : mapping
        Further numbers as ``fit --json`` prints them: "spread", "dispersion", "scale", "separated", "lack_of_fit",
        "stationary", "residual_df", "anova", "r2" ...
    findings : tuple of str
        Doubtful statistics, in plain sentences: the ``warnings`` of ``fit --json``.
    assumptions : tuple of str
        What was assumed and not measured; printed with every claim.
    prior_findings : tuple of str
        Those of the findings that concern what was said beforehand (the answers from experience, a stated scatter, an
        expected time to trip); told again with every claim.
    model : Model or None
        Able to draw; None in textbook mode.
    settled : bool
        False where the sampler did not settle: no claim then.
    can_claim : bool
        False where METHOD forbids a claim (supply unknown and short arc times while trip limits is judged later by
        the window; a response that cannot be judged at all is judged here).
    conditions : mapping
        Facts the window's rules need: for a trip "load" ("measured", "computed", "unknown") and "arc_time_ratio".
    """

    response: Response
    method: str
    n: int
    terms: tuple[TermEstimate, ...]
    numbers: Mapping[str, object] = field(default_factory=dict)
    findings: tuple[str, ...] = ()
    assumptions: tuple[str, ...] = ()
    prior_findings: tuple[str, ...] = ()
    model: Model | None = None
    settled: bool = True
    can_claim: bool = True
    conditions: Mapping[str, object] = field(default_factory=dict)

    @property
    def name(self) -> str:
        """The response's name."""
        return self.response.name

    @property
    def kind(self) -> Kind:
        """The response's kind."""
        return self.response.kind

    def to_dict(self) -> dict[str, object]:
        """Give the response as ``fit --json`` prints it."""
        return {
            "kind": self.kind,
            "method": self.method,
            "n": self.n,
            "terms": [vars(term) for term in self.terms],
            **self.numbers,
            "warnings": list(self.findings),
        }


@dataclass(frozen=True, eq=False)
class Fit:
    """Every response of the results, fitted.

    Attributes
    ----------
    results : Results
    coding : Coding
    responses : tuple of ResponseFit
        In the study's order; a response without any reading is in ``left_out`` instead.
    left_out : tuple of str
        Responses that were not measured: their requirements stay outside the claim.
    seed : int
    textbook : bool
    """

    results: Results
    coding: Coding
    responses: tuple[ResponseFit, ...]
    left_out: tuple[str, ...]
    seed: int
    textbook: bool = False

    def response(self, name: str) -> ResponseFit:
        """Give one response's fit by name."""
        return next(fit for fit in self.responses if fit.name == name)

    def to_dict(self) -> dict[str, object]:
        """Give the whole fit as ``fit --json`` prints it."""
        return {
            "schema": 1,
            "coding": self.coding.to_dict(),
            "responses": {fit.name: fit.to_dict() for fit in self.responses},
            "left_out": list(self.left_out),
        }

    def to_frame(self) -> pd.DataFrame:
        """Give every term as a table: one row a term of a response."""
        import pandas as pd  # noqa: PLC0415 - costs half a second, and only tables need it

        columns = ["response", "kind", "term", "estimate", "se", "low", "high"]
        rows = [{"response": fit.name, "kind": fit.kind, **vars(term)} for fit in self.responses for term in fit.terms]
        return pd.DataFrame(rows, columns=columns)
