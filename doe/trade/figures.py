"""Every named figure: the list behind ``weldwindow figure``."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

from doe.trade.asked import NamedFigure
from doe.trade.heat_figures import HEAT_FIGURES
from doe.trade.limit_figures import LIMIT_FIGURES
from doe.trade.supply_figures import SUPPLY_FIGURES
from doe.trade.wire_figures import WIRE_FIGURES

FIGURES: Final[Mapping[str, NamedFigure]] = MappingProxyType(
    {figure.name: figure for figure in (*HEAT_FIGURES, *SUPPLY_FIGURES, *WIRE_FIGURES, *LIMIT_FIGURES)}
)
"""Every named figure, in the order of the work."""
