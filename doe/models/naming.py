"""How welds and values are named in the sentences of the checks."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from doe.study.model import Response

NAMED: Final = 6
"""Most welds named in a sentence."""


def with_unit(value: float, response: Response) -> str:
    """Give a value to three digits with its unit."""
    return f"{value:.3g} {response.unit}".strip()


def signed(value: float, spread: float) -> str:
    """Give a change with its sign, to two digits of how well it is known.

    Examples
    --------
    >>> signed(-0.0014, 0.53)
    '-0.00'
    >>> signed(12.3, 40.0)
    '+12'
    """
    decimals = max(0, 1 - int(np.floor(np.log10(spread)))) if spread > 0.0 else 2
    return f"{value:+.{decimals}f}"


def chance_words(chance: float) -> str:
    """Give a chance to three decimals; one short of certain never reads as certain."""
    if chance > 0.999:
        return "over 0.999"
    return "under 0.001" if chance < 0.001 else f"{chance:.3f}"


def listed(names: Sequence[str]) -> str:
    """List welds, the first few by name."""
    more = len(names) - NAMED
    return ", ".join(names[:NAMED]) + (f" and {more} more" if more > 0 else "")
