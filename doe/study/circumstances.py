"""From ``[job]``, ``[supply]`` and ``[machine]`` to their objects: what the weld is made on and with."""

from __future__ import annotations

from typing import Final

from doe.errors import quoted
from doe.study.faults import Place, did_you_mean
from doe.study.model import Job, Machine, Supply
from doe.study.shape import BurnOffShape, DutyShape, JobShape, MachineShape, SupplyShape, check_shape
from doe.trade.burn_off import BurnOff

ELEMENTS: Final = ("C", "Mn", "Si", "Cr", "Mo", "V", "Ni", "Cu", "B", "P", "S", "Nb", "Ti", "Al", "N")
"""Elements that may stand in ``chemistry``."""
INSPECTED: Final = ("face", "section", "fracture")
"""Where pores can be looked for."""
COVARIATES: Final = ("travel speed", "stick-out")
"""What the hand does beside what is set, and a model of a measure may know."""


def resolve_job(shape: JobShape, place: Place) -> Job:
    """Resolve ``[job]``, noting its faults."""
    return Job(
        process=shape.process,
        joint=shape.joint.strip(),
        material=shape.material.strip(),
        thickness_mm=place.sized(shape.thickness, "mm", key="thickness"),
        wire=shape.wire.strip(),
        wire_diameter_mm=place.sized(shape.wire_diameter, "mm", key="wire_diameter"),
        stickout_mm=place.sized(shape.stickout, "mm", key="stickout"),
        travel_speed_mm_s=place.sized(shape.travel_speed, "mm/s", key="travel_speed"),
        weld_length_mm=place.sized(shape.weld_length, "mm", key="weld_length"),
        inspected=_inspected(shape.inspected, place),
        chemistry=_chemistry(shape, place),
        hydrogen_ml_100g=place.positive(shape.hydrogen, "ml/100 g", key="hydrogen"),
        burn_off=_burn_off(shape, place),
        cooling_joint=shape.cooling_joint,
        covariates=_covariates(shape.covariates, place),
    )


def _burn_off(shape: JobShape, place: Place) -> BurnOff | None:
    """Resolve the user's own burn-off: two coefficients, and the currents they were read at."""
    found = None if shape.burn_off is None else check_shape(BurnOffShape, shape.burn_off, place.inner("burn_off"))
    if found is None:
        return None
    if found.a <= 0 or found.b < 0:
        place.add(f"a is {found.a:g} and b {found.b:g}; no wire has a at or below 0, or b below 0", "burn_off")
    low, high = (
        place.positive(value, "A", key=f"burn_off.{key}")
        for key, value in (("lowest", found.lowest), ("highest", found.highest))
    )
    if (found.lowest is None) != (found.highest is None):
        place.add("give both the lowest and the highest current they were read at, or neither", "burn_off")
    if low is not None and high is not None and low >= high:
        place.add(f"the highest current, {high:g} A, is not above the lowest, {low:g} A", "burn_off")
    return BurnOff(found.a, found.b, None if low is None or high is None else (low, high))


def _inspected(text: str, place: Place) -> str:
    """Read “faces, section” as "face, section"."""
    words = [word.strip().casefold() for word in text.replace(" and ", ",").split(",") if word.strip()]
    singular = [word.removesuffix("s") for word in words]
    for word, plain in zip(words, singular, strict=True):
        if plain not in INSPECTED:
            hint = did_you_mean(word, INSPECTED)
            place.add(
                f"{quoted(word)} is no place where pores are looked for{hint}; accepted are any of "
                f"{', '.join(INSPECTED)}",
                "inspected",
            )
    return ", ".join(dict.fromkeys(singular))


def _covariates(names: tuple[str, ...], place: Place) -> tuple[str, ...]:
    """Check the names of covariates."""
    plain = tuple(dict.fromkeys(" ".join(name.split()).casefold() for name in names))
    for name in plain:
        if name not in COVARIATES:
            hint = did_you_mean(name, COVARIATES)
            place.add(f"{quoted(name)} is no covariate{hint}; accepted are {' and '.join(COVARIATES)}", "covariates")
    return plain


def _chemistry(shape: JobShape, place: Place) -> tuple[tuple[str, float], ...]:
    """Check the chemical composition, mass per cent."""
    for element, share in shape.chemistry:
        if element not in ELEMENTS:
            hint = did_you_mean(element.capitalize(), ELEMENTS)
            place.add(
                f"{quoted(element)} is not an element used here{hint}; accepted are {', '.join(ELEMENTS)}",
                f"chemistry.{element[:20]}",
            )
        if not 0 <= share <= 100:
            place.add(f"{share:g} is not a mass per cent between 0 and 100", f"chemistry.{element[:20]}")
    if sum(share for _, share in shape.chemistry) > 100:
        place.add("the elements add up to more than 100 per cent", "chemistry")
    return shape.chemistry


def resolve_supply(shape: SupplyShape, place: Place) -> Supply:
    """Resolve ``[supply]``, noting its faults."""
    return Supply(
        voltage_v=place.positive(shape.voltage, "V", key="voltage"),
        breaker_a=place.positive(shape.breaker, "A", key="breaker"),
        curve=shape.curve,
    )


def resolve_machine(shape: MachineShape, place: Place) -> Machine:
    """Resolve ``[machine]``, noting its faults."""
    duty = None if shape.duty is None else check_shape(DutyShape, shape.duty, place.inner("duty"))
    percent = None if duty is None else place.positive(duty.percent, "%", key="duty.percent")
    if percent is not None and percent > 100:
        place.add(f"{percent:g} is above 100 per cent", "duty.percent")
    return Machine(
        efficiency=_fraction(shape.efficiency, place, "efficiency"),
        power_factor=_fraction(shape.power_factor, place, "power_factor"),
        duty_percent=percent,
        duty_current_a=None if duty is None else place.positive(duty.current, "A", key="duty.current"),
    )


def _fraction(value: float | str | None, place: Place, key: str) -> float | None:
    """Read a share above 0 and up to 1."""
    share = place.positive(value, "1", key=key)
    if share is not None and share > 1:
        place.add(f"{share:g} is above 1; write 80 % as 0.80", key)
    return share
