"""The inputs that several figures share."""

from __future__ import annotations

from types import MappingProxyType
from typing import Final

from doe.trade.asked import Input, same
from doe.trade.processes import process_names

ARC_VOLTS: Final = Input("voltage", "V", high=200.0, open_low=True)
AMPS: Final = Input("current", "A", high=10000.0, open_low=True)
TRAVEL: Final = Input("travel", "mm/s", bare=False, high=1000.0, open_low=True, usual="mm/min")
PROCESS: Final = Input("process", words=MappingProxyType(process_names()))
HEAT: Final = Input("heat_input", "kJ/mm", bare=False, high=100.0, open_low=True)
THICKNESS: Final = Input("thickness", "mm", bare=False, high=1000.0, open_low=True)
PREHEAT: Final = Input("preheat", "degC", bare=False, low=-100.0, high=1500.0)
JOINT: Final = Input("joint", words=MappingProxyType({**same("plate", "butt", "corner", "tee"), "T": "tee"}))
FEED: Final = Input("feed", "mm/s", bare=False, high=2000.0, open_low=True, usual="m/min")
DIAMETER: Final = Input("wire_diameter", "mm", bare=False, high=20.0, open_low=True)
STICKOUT: Final = Input("stickout", "mm", bare=False, high=200.0, open_low=True)
THROAT: Final = Input("throat", "mm", bare=False, high=200.0, open_low=True)
WIDTH: Final = Input("width", "mm", bare=False, high=500.0, open_low=True)
COEFFICIENTS: Final = (Input("a", "1", high=1000.0, open_low=True), Input("b", "1", high=10.0))


def share(name: str) -> Input:
    """Make an input that is a share of one."""
    return Input(name, "1", high=1.0, open_low=True)
