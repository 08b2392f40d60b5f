"""What a plan can tell and what it costs, in plain sentences."""

from __future__ import annotations

from typing import Final

import numpy as np

from doe.planning.budget import BeadCost, Cost
from doe.planning.plan import Plan, without_second
from doe.planning.problem import Criterion
from doe.planning.quality import ALIAS_SHOWN, PlanQuality
from doe.planning.staging import welds_to_come
from doe.study.model import LEAST_READINGS, Study, Units
from doe.units import convert

SAID_LEVELS: Final = (0.5, 1.0)
"""Variances for which the share of the region is said in words."""


def plan_words(plan: Plan, quality: PlanQuality, cost: Cost) -> tuple[str, ...]:
    """Say what a plan can tell and what it costs, then what was decided on the way.

    Parameters
    ----------
    plan : Plan
    quality : PlanQuality
        Of this plan.
    cost : Cost
        Of this plan.
    """
    return (
        _size(plan, quality),
        *quality_words(plan.study, quality),
        *unstated_scatter(plan),
        *_cost(cost, plan.study.units),
        *_of_second_beads(cost, plan.study),
        *plan.notes,
    )


def quality_words(study: Study, quality: PlanQuality) -> tuple[str, ...]:
    """Say what a plan can tell, ours or one from elsewhere; the engineer's numbers are apart."""
    return (
        _scatter(quality),
        *_bands(study, quality),
        *_power(quality),
        _efficiency(quality, study.plan.criterion),
        *_plates(study, quality),
    )


def _size(plan: Plan, quality: PlanQuality) -> str:
    """Say how many welds there are, and for which model."""
    plates = len({weld.plate for weld in plan.designed})
    earlier = f", beside the {len(without_second(plan.earlier))} made before" if plan.earlier else ""
    return f"{_count(len(plan.designed), 'weld')} on {_count(plates, 'plate')}{earlier}, for {_model(quality)}."


def unstated_scatter(plan: Plan) -> tuple[str, ...]:
    """Say of which measures nothing can be claimed from these welds unless their scatter is stated.

    The rule is that of the fit (METHOD.md section 6): at least ``LEAST_READINGS`` welds, two of them made alike.
    """
    made = (*without_second(plan.earlier), *plan.designed)
    is_repeated = len({weld.settings for weld in made}) < len(made)
    if len(made) >= LEAST_READINGS and is_repeated:
        return ()
    few = f"fewer than {LEAST_READINGS} readings do not show how far welds made alike scatter"
    why, instead = few, _how_to_ten(plan.study, len(made))
    if len(made) >= LEAST_READINGS:
        why, instead = "no two welds are made alike, so none shows how far such welds scatter", "repeat a setting"
    return tuple(
        f"{response.name}: nothing can be claimed about it from {_count(len(made), 'weld')}: {why}. State that "
        f"scatter, known from earlier work (expect_scatter), or {instead}."
        for response in plan.study.responses
        if response.kind == "measure" and response.has_requirement
        if response.expect_scatter is None and not response.scatter_from
    )


def _how_to_ten(study: Study, n_made: int) -> str:
    """Say how there come to be enough readings."""
    in_all = n_made + welds_to_come(study, n_made)
    if n_made < LEAST_READINGS <= in_all:
        return f"weld the later stages as well ({in_all} welds in all)"
    return f"plan {LEAST_READINGS} welds or more"


def _model(quality: PlanQuality) -> str:
    """Name the model with its size."""
    name = quality.model if quality.model == "the listed terms" else f"a {quality.model} model"
    return f"{name} with {_count(quality.parameters, 'number')} to find"


def _scatter(quality: PlanQuality) -> str:
    """Say what is left to see the scatter."""
    if quality.residual_df <= 0:
        return "No weld is left over to see the scatter: it has to be known from earlier work (expect_scatter)."
    return f"{_count(quality.residual_df, 'weld')} more than that, to see how much welds made alike differ."


def _bands(study: Study, quality: PlanQuality) -> list[str]:
    """Say how closely the mean will be known."""
    units = {response.name: response.unit for response in study.responses}
    known = [f"{name} to ±{width:.2g} {units[name]}".rstrip() for name, width in quality.half_widths]
    if known:
        return [f"With the scatter you expect, the mean will be known, 90 % sure, on average: {', '.join(known)}."]
    if quality.half_width is None or all(response.kind != "measure" for response in study.responses):
        return []
    return [
        f"The mean will be known, 90 % sure, to ±{quality.half_width:.2g} times the scatter between welds, on average "
        f"over the region (at worst {_worst_ratio(quality):.2g} times as wide)."
    ]


def _worst_ratio(quality: PlanQuality) -> float:
    """Compare the widest band with the middling one."""
    return float((quality.worst_variance / quality.median_variance) ** 0.5)


def _power(quality: PlanQuality) -> list[str]:
    """Say which differences would be seen."""
    seen = [f"{p.contrast} {p.smallest:.2g}" for p in quality.power if p.smallest is not None]
    if not seen:
        return []
    return [
        "Differences that would be seen in 8 of 10 such studies, from one end of the range to the other, in times the "
        f"scatter between welds: {', '.join(seen)}."
    ]


def _efficiency(quality: PlanQuality, criterion: Criterion) -> str:
    """Compare with what is possible by the criterion that was asked for, and with the textbook."""
    i, d = quality.i_efficiency, quality.d_efficiency
    share = min(int(100 * {"I": i, "D": d, "compound": (i * d) ** 0.5}[criterion]), 100)
    against = ""
    if quality.yardstick is not None and quality.yardstick.efficiency > 1.005:
        gain = 100 * (quality.yardstick.efficiency - 1)
        against = f"; the textbook's {quality.yardstick.name} has a {gain:.0f} % larger average variance"
    return f"The plan reaches at least {share} % of what any plan of this size could, with or without repeats{against}."


def _plates(study: Study, quality: PlanQuality) -> list[str]:
    """Say what is judged by plates."""
    held = [factor.name for factor in study.factors if factor.hard_to_change]
    if quality.plate_df is None or not held:
        return []
    return [
        f"{' and '.join(held)} {'are' if len(held) > 1 else 'is'} set once a plate and judged by "
        f"{quality.plates} plates, not by welds ({_count(quality.plate_df, 'plate')} more than it takes)."
    ]


def for_an_engineer(quality: PlanQuality) -> tuple[str, ...]:
    """Give the measures of a plan that an engineer asks for; the rest is in the JSON."""
    shares = [f"below {v:g} in {100 * s:.0f} %" for v, s in quality.share_below if v in SAID_LEVELS]
    said = [
        "For an engineer: the variance of the mean at the settings that can be dialled in, against that of one weld, "
        f"is {quality.average_at_settings:.2f} on average, {quality.median_variance:.2f} in the median and "
        f"{quality.worst_variance:.2f} at worst; {', '.join(shares)} of them.",
        f"Against the certified ceiling: I-efficiency {_share(quality.i_efficiency)}, D-efficiency "
        f"{_share(quality.d_efficiency)}. Largest leverage: {quality.leverage.max():.2f}.",
    ]
    return (*said, *_largest_alias(quality))


def _share(efficiency: float) -> str:
    """Write an efficiency, never rounded up."""
    return f"{min(int(100 * efficiency), 100)} %"


def _largest_alias(quality: PlanQuality) -> list[str]:
    """Say which term that the model leaves out would mislead most."""
    # What shifts the constant shifts no difference; of equal ones the first, whatever the rounding.
    values = np.round(np.abs(quality.aliases.values[1:]), 9)
    if not values.size or values.max() < ALIAS_SHOWN:
        return []
    i, j = np.unravel_index(values.argmax(), values.shape)
    share = quality.aliases.values[1 + i, j]
    return [
        f"Largest alias: the estimate of {quality.aliases.terms[1 + i]} holds {share:+.2f} times the coefficient of "
        f"{quality.aliases.omitted[j]}, which the model leaves out."
    ]


def _cost(cost: Cost, units: Units) -> list[str]:
    """Say what it takes; what the job does not state is not guessed."""
    parts = _spent(cost, units)
    if cost.bench_min:
        parts.append(f"about {duration(cost.bench_min)} to cut, etch and measure")
    said = [f"It takes {', '.join(parts)}."]
    if cost.arc_min is None:
        said.append("State weld_length and travel_speed under [job], and wire and time are worked out too.")
    return said


def _of_second_beads(cost: Cost, study: Study) -> list[str]:
    """Say how much of it the second beads take."""
    second = cost.second_beads
    if second is None:
        return []
    counted = " and ".join(r.name for r in study.responses if r.kind == "count" and r.has_requirement)
    return [
        f"Of this {_count(second.beads, 'second bead')}, one at every setting, looked over for {counted} and not cut, "
        f"take {', '.join(_spent(second, study.units))}."
    ]


def _spent(cost: Cost | BeadCost, units: Units) -> list[str]:
    """Say what welding takes."""
    parts = [_count(cost.plates, "plate")]
    if cost.wire_m is not None:
        mass, length = ("lb", "ft") if units == "us" else ("kg", "m")
        long = f"{convert(cost.wire_m, 'm', length):.0f} {length}"
        heavy = None if cost.wire_kg is None else f"{convert(cost.wire_kg, 'kg', mass):.2g} {mass}"
        parts.append(f"{long} of wire" if heavy is None else f"{heavy} of wire ({long})")
    if cost.arc_min is not None:
        parts.append(f"{cost.arc_min:.0f} min of arc")
    if cost.elapsed_min is not None:
        parts.append(f"about {duration(cost.elapsed_min)} of welding with rests")
    return parts


def duration(minutes: float) -> str:
    """Write minutes as people say them, to the nearest five from ten minutes on."""
    rounded = round(minutes) if minutes < 10 else 5 * round(minutes / 5)
    hours, rest = divmod(rounded, 60)
    if not hours:
        return f"{rest} min"
    return f"{hours} h {rest} min" if rest else f"{hours} h"


def _count(n: int, word: str) -> str:
    """Count with the word in its form."""
    return f"{n} {word}{'' if n == 1 else 's'}"
