"""Whether limits leave any setting that can be welded."""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Final

from doe.errors import quoted
from doe.study.faults import Faults
from doe.study.limits import TOLERANCE
from doe.study.model import Factor, Limit

MOST_TRIES: Final = 50_000
"""The search gives up after so many partial settings and then finds no fault; the planner meets the region again."""


def refuse_empty_region(factors: Sequence[Factor], limits: Sequence[Limit], faults: Faults) -> None:
    """Note a fault where the limits leave no setting, or where a listed level cannot be used with any other setting."""
    if not limits:
        return
    if not leaves_setting(factors, limits):
        faults.at("limit").add("the limits leave no setting: every reachable one is cut off; widen a limit or a factor")
        return
    limited = {name for limit in limits for name, _ in limit.coefficients}
    for factor in factors:
        if factor.name not in limited or factor.is_continuous or factor.marks:
            continue
        for number, level in enumerate(factor.values, 1):
            others = [replace(f, values=(level,)) if f is factor else f for f in factors]
            if not leaves_setting(others, limits):
                rules = "; ".join(quoted(r.rule) for r in limits if any(n == factor.name for n, _ in r.coefficients))
                faults.at(f'factor "{factor.name}"').add(
                    f"the level {level:g} is outside the limits at every setting of the other factors ({rules}); leave "
                    "it out, or widen the limit",
                    f"levels[{number}]",
                )


def leaves_setting(factors: Sequence[Factor], limits: Sequence[Limit]) -> bool:
    """Whether any reachable setting satisfies every limit.

    Exact as long as the search does not pass ``MOST_TRIES`` partial settings; True beyond.
    """
    names = list(dict.fromkeys(name for limit in limits for name, _ in limit.coefficients))
    rows = [[dict(limit.coefficients).get(name, 0.0) for name in names] for limit in limits]
    known = {factor.name: factor for factor in factors}
    for values in _values_by_kind([known[name] for name in names], known):
        sizes = [[abs(c) * max(map(abs, v)) for c, v in zip(row, values, strict=True)] for row in rows]
        bounds = [
            limit.bound + TOLERANCE * (abs(limit.bound) + sum(size)) for limit, size in zip(limits, sizes, strict=True)
        ]
        if _search(values, rows, bounds):
            return True
    return False


def _values_by_kind(used: Sequence[Factor], known: Mapping[str, Factor]) -> Iterator[list[tuple[float, ...]]]:
    """Give the values of each factor, for every kind that its range may depend on."""
    owners = list(dict.fromkeys(factor.range_by for factor in used if factor.ranges and factor.range_by in known))
    for kinds in itertools.product(*(known[owner].kinds for owner in owners)):
        chosen = dict(zip(owners, kinds, strict=True))
        yield [_within_range(factor, chosen.get(factor.range_by)) for factor in used]


def _within_range(factor: Factor, kind: str | None) -> tuple[float, ...]:
    """Give a factor's values in the range of one kind."""
    spans = [(low, high) for name, low, high in factor.ranges if name == kind]
    if not spans:
        return factor.values
    low, high = spans[0]
    return tuple(value for value in factor.values if low <= value <= high)


def _search(values: Sequence[tuple[float, ...]], rows: Sequence[Sequence[float]], bounds: Sequence[float]) -> bool:
    """Search depth first, leaving what even the best remaining values cannot mend."""
    n_factors = len(values)
    least = [[min(c * v for v in values[j]) for j, c in enumerate(row)] for row in rows]
    rest = [[sum(row[j:]) for j in range(n_factors + 1)] for row in least]
    stack: list[tuple[int, tuple[float, ...]]] = [(0, (0.0,) * len(rows))]
    for _ in range(MOST_TRIES):
        if not stack:
            return False
        depth, sums = stack.pop()
        if any(s + rest[i][depth] > bounds[i] for i, s in enumerate(sums)):
            continue
        if depth == n_factors:
            return True
        stack += [(depth + 1, tuple(s + rows[i][depth] * v for i, s in enumerate(sums))) for v in values[depth]]
    return True
