"""What one weld asks of the circuit: arc power, line current, load on the breaker, in numbers and in words.

A weld that loads the breaker beyond its rating is flagged, never dropped: whether the supply holds is what the test
welds are for. The words never advise a larger breaker or a thinner cord.
"""

from __future__ import annotations

from dataclasses import dataclass

from doe.trade.breaker import breaker_band
from doe.trade.supply import line_current_a
from doe.trade.validity import Figure


@dataclass(frozen=True)
class Circuit:
    """The circuit and the machine on it.

    Attributes
    ----------
    voltage_v : float
        Line voltage under load. [V]
    breaker_a : float
        Breaker rating. [A]
    curve : {"B", "C", "D", "UL"}
    efficiency, power_factor : float
        Of the machine. [1]
    """

    voltage_v: float
    breaker_a: float
    curve: str
    efficiency: float
    power_factor: float


@dataclass(frozen=True)
class SupplyLoad:
    """What a weld asks of the circuit.

    Attributes
    ----------
    arc_power_w : float
        [W]
    line_current_a : float
        [A]
    breaker_ratio : float
        Line current over breaker rating. [1]
    band : Figure
        The standard's band of times to trip, see ``breaker.breaker_band``.
    """

    arc_power_w: float
    line_current_a: float
    breaker_ratio: float
    band: Figure

    @property
    def words(self) -> str:
        """The load and the band in one line."""
        return self.band.notes[0] if self.band.valid else "; ".join(self.band.notes)


def trip_is_possible(band: Figure, arc_s: float) -> bool:
    """Whether a band leaves room for a trip within an arc time; where nothing is known of the band it does."""
    if not band.valid or isinstance(band.value, float) or band.value is None:
        return True
    shortest = band.value["shortest"]
    return not band.value["holds"] and (shortest is None or arc_s >= shortest)


def supply_load(arc_voltage_v: float, arc_current_a: float, circuit: Circuit) -> SupplyLoad:
    """Work out what a weld asks of the circuit, from stated efficiency and power factor.

    Parameters
    ----------
    arc_voltage_v, arc_current_a : float
        At the arc. [V, A]
    circuit : Circuit

    Examples
    --------
    >>> load = supply_load(21.0, 130.0, Circuit(230.0, 16.0, "C", 0.8, 0.7))
    >>> load.line_current_a, load.words
    (21.2, '1.32 times the rating: the standard sets no bound here: it may trip or hold')
    """
    power = arc_voltage_v * arc_current_a
    current = line_current_a(
        power,
        efficiency=circuit.efficiency,
        power_factor=circuit.power_factor,
        supply_voltage_v=circuit.voltage_v,
    )
    band = breaker_band(circuit.breaker_a, curve=circuit.curve, current_a=current)
    return SupplyLoad(power, current, current / circuit.breaker_a, band)
