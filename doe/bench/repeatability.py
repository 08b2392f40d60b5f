r"""How well a reading repeats: variance components of sections read several times by one or more people.

Analysis of variance of a balanced layout, sections and readers crossed, both random:

.. math:: y_{srk} = \mu + S_s + R_r + (SR)_{sr} + e_{srk}

The components follow from the mean squares (Montgomery, Design and Analysis of Experiments, chapter on random
factors; the formulas from memory). One that comes out below 0 is 0. With one reader the layout is one-way.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from doe.coding import FloatArray
from doe.errors import CannotAnswerError

LEAST_SECTIONS: Final = 3
"""Sections with every reading that are needed. Our choice."""


@dataclass(frozen=True)
class MeanSquares:
    """Mean squares of the layout; ``reader`` and ``both`` are nan with one reader."""

    section: float
    reader: float
    both: float
    error: float


@dataclass(frozen=True)
class Components:
    """Variances by source, none below 0; ``reader`` and ``both`` are 0 with one reader."""

    section: float
    reader: float
    both: float
    error: float


@dataclass(frozen=True)
class Repeatability:
    """How well one response's reading repeats.

    Attributes
    ----------
    n_sections, n_readers, n_readings : int
        Readings are of one section by one reader.
    mean_squares : MeanSquares
    components : Components
    error_df : int
        Degrees of freedom of the repeat scatter.
    reader_means : tuple of float
        Each reader's mean over all sections.
    resolution_variance : float
        What the rounding of the readings alone gives; the repeat scatter is no less.
    """

    n_sections: int
    n_readers: int
    n_readings: int
    mean_squares: MeanSquares
    components: Components
    error_df: int
    reader_means: tuple[float, ...]
    resolution_variance: float

    @property
    def repeat_sd(self) -> float:
        """Scatter of one person's readings of one section, one standard deviation."""
        return math.sqrt(max(self.components.error, self.resolution_variance))

    @property
    def sd(self) -> float:
        """Scatter of readings of one section, whoever reads it, one standard deviation."""
        return math.sqrt(self.repeat_sd**2 + self.components.reader + self.components.both)

    @property
    def section_share(self) -> float:
        """Share of the spread over the sections read that is the reading: the textbook's gauge study."""
        return self.sd**2 / (self.sd**2 + self.components.section)

    def repeat_limits(self, confidence: float) -> tuple[float, float]:
        """Give the confidence limits of ``repeat_sd``, two-sided, by the chi-squared distribution."""
        tail = (1.0 - confidence) / 2.0
        spread = self.error_df * self.repeat_sd**2
        high, low = _chi_squared(self.error_df, [1.0 - tail, tail])
        return math.sqrt(spread / low), math.sqrt(spread / high)

    def proven_variance(self, confidence: float) -> float:
        """Give the variance of reading that is held with a confidence, one-sided: no more may be taken off."""
        return self.error_df * self.repeat_sd**2 / float(_chi_squared(self.error_df, [1.0 - confidence])[0])


def _chi_squared(df: float, upper: Sequence[float]) -> FloatArray:
    """Give the values that chi-squared exceeds with the given probabilities."""
    from scipy import special  # noqa: PLC0415 - costs a third of a second, and only a reading study needs it

    return np.asarray(special.chdtri(df, upper))


def components_of(squares: MeanSquares, *, n_sections: int, n_readers: int, n_readings: int) -> Components:
    """Give the variances that follow from the mean squares; one below 0 is 0.

    Examples
    --------
    >>> components_of(MeanSquares(62.39, 1.31, 0.71, 0.99), n_sections=20, n_readers=3, n_readings=2).section
    10.28
    """
    if n_readers == 1:
        return Components(max((squares.section - squares.error) / n_readings, 0.0), 0.0, 0.0, squares.error)
    return Components(
        max((squares.section - squares.both) / (n_readers * n_readings), 0.0),
        max((squares.reader - squares.both) / (n_sections * n_readings), 0.0),
        max((squares.both - squares.error) / n_readings, 0.0),
        squares.error,
    )


def mean_squares_of(values: FloatArray) -> MeanSquares:
    """Give the mean squares of readings, shape (n_sections, n_readers, n_readings): two or more, one reader or more."""
    a, b, n = values.shape
    grand, cell = values.mean(), values.mean(axis=2)
    section, reader = values.mean(axis=(1, 2)), values.mean(axis=(0, 2))
    error = float(((values - cell[:, :, None]) ** 2).sum() / (a * b * (n - 1)))
    by_section = float(b * n * ((section - grand) ** 2).sum() / (a - 1))
    if b == 1:
        return MeanSquares(by_section, math.nan, math.nan, error)
    by_reader = float(a * n * ((reader - grand) ** 2).sum() / (b - 1))
    left = cell - section[:, None] - reader[None, :] + grand
    both = float(n * (left**2).sum() / ((a - 1) * (b - 1)))
    return MeanSquares(by_section, by_reader, both, error)


def repeatability(values: FloatArray, *, resolution: float = 0.0) -> Repeatability:
    """Work out how well readings repeat.

    Parameters
    ----------
    values : ndarray, shape (n_sections, n_readers, n_readings)
        Every section read equally often by every reader.
    resolution : float
        The step on which the readings lie; 0: none.

    Returns
    -------
    Repeatability

    Raises
    ------
    CannotAnswerError
        If there are fewer than three sections or fewer than two readings.
    """
    a, b, n = values.shape
    if a < LEAST_SECTIONS or n < 2:
        message = (
            f"{a} sections have every reading, {n} each by a reader; at least {LEAST_SECTIONS} sections read twice are "
            "needed."
        )
        raise CannotAnswerError(message)
    squares = mean_squares_of(values)
    return Repeatability(
        n_sections=a,
        n_readers=b,
        n_readings=n,
        mean_squares=squares,
        components=components_of(squares, n_sections=a, n_readers=b, n_readings=n),
        error_df=a * b * (n - 1),
        reader_means=tuple(float(mean) for mean in np.asarray(values.mean(axis=(0, 2)))),
        resolution_variance=resolution**2 / 12.0,
    )
