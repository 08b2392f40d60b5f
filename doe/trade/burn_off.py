r"""Wire feed and current: :math:`W = a I + b L I^2`, in the form of Lesnewich, and its fit to one's own readings."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from doe.errors import CannotAnswerError
from doe.trade.validity import Bound, Figure, Source, breaches, held, not_held

BURN_OFF: Final = Source("W = a I + b L I²: form of Lesnewich; a, b of 1.2 mm plain steel wire: Norrish, after Amin")
"""Form and coefficients, from memory."""
OWN_BURN_OFF: Final = Source("W = a I + b L I²: form of Lesnewich; a and b as given")
"""The form, from memory; the coefficients are the user's."""

REFERENCE_DIAMETER_MM: Final = 1.2
"""Wire of the coefficients. [mm] Norrish, from memory. Solid plain-carbon wire, electrode positive."""
REFERENCE_A: Final = 0.3
"""Melting by the arc. [mm/(A s)] Norrish, from memory. 1.2 mm solid plain-carbon wire, electrode positive, up to 200
A."""
REFERENCE_B: Final = 5.0e-5
"""Melting by resistance. [1/(A2 s)] Norrish, from memory. 1.2 mm solid plain-carbon wire, electrode positive, up to
200 A."""
HIGHEST_CURRENT_A: Final = 200.0
"""Where published passes begin to leave the formula: 9.9 against 8.3 m/min at 310 A. [A] doi
10.1016/j.jmapro.2021.11.021 Table 3. Seen. Wire size and stick-out of those passes were not stated."""
DIAMETERS_MM: Final = (0.8, 1.2)
"""Wires it is scaled to. [mm] Our choice, no source: the reference wire and the next smaller ones."""
STICKOUTS_MM: Final = (5.0, 25.0)
"""Stick-outs it is used for. [mm] Common practice for these wires, from memory, no source."""

DIAMETER: Final = Bound("wire diameter", *DIAMETERS_MM, "mm")
"""Wires the built-in coefficients are scaled to."""
STICKOUT: Final = Bound("stick-out", *STICKOUTS_MM, "mm")
"""Stick-outs the built-in coefficients are used for."""
CURRENT: Final = Bound("current", 0.0, HIGHEST_CURRENT_A, "A")
"""Currents the built-in coefficients are used for."""

LEAST_READINGS: Final = 4
"""Readings a fit of two coefficients needs, so that two are left for the scatter. [1] Our choice, no source; not of
the trade."""
MOST_ALIKE: Final = 1e-3
"""Smallest share of the second direction in a fit that tells a from b. [1] Our choice, no source; not of the
trade."""


@dataclass(frozen=True)
class BurnOff:
    """The two coefficients.

    Attributes
    ----------
    a : float
        [mm/(A s)]
    b : float
        [1/(A2 s)]
    currents_a : tuple of float or None
        Lowest and highest current they were read at, outside which they give no number; None: not stated. [A]
    """

    a: float
    b: float
    currents_a: tuple[float, float] | None = None

    @property
    def bound(self) -> Bound:
        """The currents they hold for."""
        low, high = self.currents_a or (0.0, math.inf)
        return Bound("current", low, high, "A")


@dataclass(frozen=True)
class BurnOffFit:
    """Coefficients fitted to readings.

    Attributes
    ----------
    coefficients : BurnOff
    a_se, b_se : float
        Standard errors.
    scatter_mm_s : float
        Residual standard deviation. [mm/s]
    residual_df : int
    """

    coefficients: BurnOff
    a_se: float
    b_se: float
    scatter_mm_s: float
    residual_df: int

    def to_dict(self) -> dict[str, object]:
        """Give the fit as ``dial --json`` prints it."""
        low, high = self.coefficients.currents_a or (0.0, math.inf)
        return {
            "a": self.coefficients.a,
            "a_se": self.a_se,
            "b": self.coefficients.b,
            "b_se": self.b_se,
            "scatter_mm_s": self.scatter_mm_s,
            "residual_df": self.residual_df,
            "lowest_a": low,
            "highest_a": high,
        }


def solid_wire(wire_diameter_mm: float) -> BurnOff:
    """Give coefficients of solid plain steel wire, electrode positive: a goes with 1/section, b with 1/section².

    Examples
    --------
    >>> solid_wire(0.9).a, solid_wire(0.9).b * 1e4
    (0.5333, 1.580)
    """
    sections = (REFERENCE_DIAMETER_MM / wire_diameter_mm) ** 2
    return BurnOff(REFERENCE_A * sections, REFERENCE_B * sections**2)


def wire_feed_mm_s(current_a: float, *, stickout_mm: float, burn_off: BurnOff) -> float:
    """Give the wire feed that a current melts, in mm/s.

    Examples
    --------
    >>> wire_feed_mm_s(100.0, stickout_mm=12.0, burn_off=solid_wire(0.9))
    72.296
    """
    return burn_off.a * current_a + burn_off.b * stickout_mm * current_a**2


def wire_current_a(feed_mm_s: float, *, stickout_mm: float, burn_off: BurnOff) -> float:
    """Give the current at which the wire melts as fast as it is fed: the positive root, in A.

    Examples
    --------
    >>> wire_current_a(72.296, stickout_mm=12.0, burn_off=solid_wire(0.9))
    100.0
    """
    curvature = burn_off.b * stickout_mm
    # The form without a difference of like numbers; it also serves b = 0.
    return 2.0 * feed_mm_s / (burn_off.a + math.sqrt(burn_off.a**2 + 4.0 * curvature * feed_mm_s))


def wire_feed(
    current_a: float, *, stickout_mm: float, wire_diameter_mm: float | None = None, own: BurnOff | None = None
) -> Figure:
    """Give the wire feed at a current as a figure, by solid wire or one's own coefficients, in mm/s."""
    inputs = {"current": current_a} | _inputs(stickout_mm, wire_diameter_mm, own)
    if own is not None:
        if fault := own.bound.breach(current_a):
            return not_held("mm/s", source=OWN_BURN_OFF, why=(fault, _OWN_ADVICE), inputs=inputs)
        value = wire_feed_mm_s(current_a, stickout_mm=stickout_mm, burn_off=own)
        return held(value, "mm/s", source=OWN_BURN_OFF, notes=_notes(own, is_own=True), inputs=inputs)
    if wire_diameter_mm is None:
        message = "a wire diameter or own coefficients are needed"
        raise ValueError(message)
    broken = breaches((DIAMETER, wire_diameter_mm), (STICKOUT, stickout_mm), (CURRENT, current_a))
    if broken:
        return not_held("mm/s", source=BURN_OFF, why=(*broken, _ADVICE), inputs=inputs)
    wire = solid_wire(wire_diameter_mm)
    value = wire_feed_mm_s(current_a, stickout_mm=stickout_mm, burn_off=wire)
    return held(value, "mm/s", source=BURN_OFF, notes=_notes(wire, is_own=False), inputs=inputs)


def wire_current(
    feed_mm_s: float, *, stickout_mm: float, wire_diameter_mm: float | None = None, own: BurnOff | None = None
) -> Figure:
    """Give the current at a wire feed as a figure, by solid wire or one's own coefficients, in A."""
    inputs = {"feed": feed_mm_s} | _inputs(stickout_mm, wire_diameter_mm, own)
    if own is not None:
        value = wire_current_a(feed_mm_s, stickout_mm=stickout_mm, burn_off=own)
        if fault := own.bound.breach(value):
            return not_held("A", source=OWN_BURN_OFF, why=(fault, _OWN_ADVICE), inputs=inputs)
        return held(value, "A", source=OWN_BURN_OFF, notes=_notes(own, is_own=True), inputs=inputs)
    if wire_diameter_mm is None:
        message = "a wire diameter or own coefficients are needed"
        raise ValueError(message)
    broken = breaches((DIAMETER, wire_diameter_mm), (STICKOUT, stickout_mm))
    wire = solid_wire(wire_diameter_mm)
    highest = wire_feed_mm_s(HIGHEST_CURRENT_A, stickout_mm=stickout_mm, burn_off=wire)
    if not broken and (fault := Bound("wire feed", 0.0, highest, "mm/s").breach(feed_mm_s)):
        broken = (f"{fault}, which is {HIGHEST_CURRENT_A:g} A",)
    if broken:
        return not_held("A", source=BURN_OFF, why=(*broken, _ADVICE), inputs=inputs)
    value = wire_current_a(feed_mm_s, stickout_mm=stickout_mm, burn_off=wire)
    return held(value, "A", source=BURN_OFF, notes=_notes(wire, is_own=False), inputs=inputs)


_OWN_ADVICE: Final = "a and b are not known outside the currents they were read at: read more of them"
_ADVICE: Final = "outside, give a and b fitted to your own readings of current, feed and stick-out"


def _inputs(stickout_mm: float, wire_diameter_mm: float | None, own: BurnOff | None) -> dict[str, float | str]:
    diameter = {} if wire_diameter_mm is None else {"wire_diameter": wire_diameter_mm}
    coefficients = {} if own is None else {"a": own.a, "b": own.b}
    return {"stickout": stickout_mm, **diameter, **coefficients}


def _notes(burn_off: BurnOff, *, is_own: bool) -> tuple[str, ...]:
    stick = "the electrical stick-out is shorter than tip to work by the arc's length"
    said = f"a = {burn_off.a:.4g} mm/(A s), b = {burn_off.b:.4g} 1/(A² s)"
    if is_own:
        return (f"{said}, as given: holds for that wire, polarity and range of currents only", stick)
    return (
        f"{said}: solid plain-carbon wire, electrode positive; not for cored wire or electrode negative, whose a and b "
        "come from your own readings",
        stick,
    )


def fit_burn_off(current_a: Sequence[float], feed_mm_s: Sequence[float], stickout_mm: Sequence[float]) -> BurnOffFit:
    """Fit a and b to one's own readings by least squares.

    Parameters
    ----------
    current_a, feed_mm_s, stickout_mm : sequence of float
        One a reading, all above 0 and of the same length.

    Returns
    -------
    BurnOffFit

    Raises
    ------
    CannotAnswerError
        If there are fewer than four readings, they are too much alike to tell a from b, or a comes out not above 0.

    Examples
    --------
    >>> amps, stick = [60.0, 90.0, 120.0, 150.0], [12.0, 12.0, 15.0, 15.0]
    >>> feed = [wire_feed_mm_s(i, stickout_mm=s, burn_off=solid_wire(0.9)) for i, s in zip(amps, stick)]
    >>> fit_burn_off(amps, feed, stick).coefficients.a
    0.5333
    """
    current, feed, stick = (np.asarray(v, dtype=float) for v in (current_a, feed_mm_s, stickout_mm))
    if len(current) < LEAST_READINGS:
        message = f"{len(current)} readings of current and feed: a fit of a and b needs at least {LEAST_READINGS}."
        raise CannotAnswerError(message)
    X = np.column_stack([current, stick * current**2])
    scale = np.linalg.norm(X, axis=0)
    U, s, Vt = np.linalg.svd(X / scale, full_matrices=False)
    if s[1] < MOST_ALIKE * s[0]:
        message = "The readings are too much alike to tell a from b: read at currents or stick-outs further apart."
        raise CannotAnswerError(message)
    estimate = (Vt.T @ ((U.T @ feed) / s)) / scale
    df = len(current) - 2
    scatter = float(np.sqrt(np.sum((feed - X @ estimate) ** 2) / df))
    se = scatter * np.sqrt(np.sum((Vt.T / s) ** 2, axis=1)) / scale
    if estimate[0] <= 0.0 or estimate[1] < 0.0:
        message = (
            f"The fit gives a = {estimate[0]:.3g} and b = {estimate[1]:.3g}, which no wire has (a above 0, b at "
            "least 0): check units and readings, or read over a wider range."
        )
        raise CannotAnswerError(message)
    currents = (float(current.min()), float(current.max()))
    found = BurnOff(float(estimate[0]), float(estimate[1]), currents)
    return BurnOffFit(found, float(se[0]), float(se[1]), scatter, df)


def burn_off_line(fit: BurnOffFit) -> str:
    """Write the fit as the key of study.toml's [job].

    Examples
    --------
    >>> print(burn_off_line(BurnOffFit(BurnOff(0.35912, 9.04e-5, (90.0, 190.0)), 0.01, 1e-6, 1.2, 6)))
    burn_off = { a = 0.3591, b = 9.04e-05, lowest = "90 A", highest = "190 A" }
    """
    low, high = fit.coefficients.currents_a or (0.0, math.inf)
    a, b = (float(f"{value:.4g}") for value in (fit.coefficients.a, fit.coefficients.b))
    return f'burn_off = {{ a = {a!r}, b = {b!r}, lowest = "{low:g} A", highest = "{high:g} A" }}'
