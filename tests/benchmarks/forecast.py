"""Does what ``next`` foretells come true? Studies on virtual welders, foretold and then welded.

Usage: ``python tests/benchmarks/forecast.py [studies a truth]``; writes reports/forecast.md. The first stage is welded
on a hidden truth, the next six welds are planned and their forecast noted; then they are welded on the same truth, and
the window is searched for as ``window`` does. Same seeds, same table.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace
from pathlib import Path

import joblib
import numpy as np

from doe.models import fit_responses
from doe.planning.plan import Plan, PlannedWeld
from doe.rehearsal.setup import INFORMED
from doe.shipped import shipped
from doe.study import read_study
from doe.study.model import Study
from doe.virtual import WELDERS, add_results, draw_welder, weld_plan
from doe.window import find_window, next_welds

TREE = Path(__file__).parents[2]
TRUTHS = ("smooth", "bent", "hinge lugs", "interior ridge", "sharp ridge")
STUDIES = 30
SIZES = (14, 18)
NEXT = 6
MACHINES = 10
GROUPS = ((0.0, 0.001), (0.001, 0.25), (0.25, 0.5), (0.5, 0.75), (0.75, 1.001))


@dataclass(frozen=True)
class Kept:
    """One study: what was foretold, and what came of it."""

    truth: str
    chance: float
    share: float
    found: float
    found_share: float


def first_plan(study: Study, n: int, seed: int) -> Plan:
    """Plan three levels of each dial, shuffled, preheat by plate."""
    rng = np.random.default_rng(seed)
    ends = [f.positions[[0, len(f.positions) // 2, -1]] for f in study.factors]
    dials = [(float(v), float(f)) for v in ends[0] for f in ends[1]] * 3
    rng.shuffle(dials)
    welds = tuple(
        PlannedWeld(f"W{i + 1:02d}", f"P{i // 2 + 1:02d}", i % 2 + 1, i + 1, (*dials[i], float(ends[2][i // 2 % 3])))
        for i in range(n)
    )
    return Plan(study, welds, seed, fingerprint=study.fingerprint)


def run(truth: str, seed: int) -> Kept:
    """Weld, foretell, weld on, look."""
    study = INFORMED.apply(replace(read_study(shipped("hinge-lugs")), folder=Path("nowhere")))
    rng = np.random.default_rng([77, seed])
    welder = WELDERS[truth] if truth in WELDERS else draw_welder(study, truth, rng=rng)  # type: ignore[arg-type]
    n = SIZES[seed % len(SIZES)]
    first = weld_plan(first_plan(study, n, seed), welder, bench=INFORMED.bench, rng=rng)
    first = replace(first, file=("results.csv",) * n)
    plan = next_welds(fit_responses(first, seed=seed), n=NEXT, seed=seed, machines=MACHINES)
    second = weld_plan(plan, welder, bench=INFORMED.bench, rng=rng)
    both = add_results(first, replace(second, file=("results-2.csv",) * NEXT))
    box = find_window(fit_responses(both, seed=seed), seed=seed).answer.box
    assert plan.expected is not None
    then = plan.expected.then
    return Kept(truth, then.found, then.share, float(box is not None), 0.0 if box is None else box.share)


def row(name: str, kept: list[Kept]) -> str:
    """Write one row of a table."""
    chance, found = (np.array([getattr(k, key) for k in kept]) for key in ("chance", "found"))
    share, real = (np.array([getattr(k, key) for k in kept]) for key in ("share", "found_share"))
    n = np.sqrt(len(kept))
    ratio = f"{real.mean() / share.mean():.2f}" if share.mean() > 0.0 else "–"
    return (
        f"| {name} | {len(kept)} | {chance.mean():.2f} | {found.mean():.2f} ± {(found - chance).std() / n:.2f} "
        f"| {share.mean():.3f} | {real.mean():.3f} ± {(real - share).std() / n:.3f} | {ratio} |"
    )


def main() -> None:
    """Run every truth and write the tables."""
    studies = int(sys.argv[1]) if len(sys.argv) > 1 else STUDIES
    tasks = [joblib.delayed(run)(truth, seed) for truth in TRUTHS for seed in range(studies)]
    kept = list(joblib.Parallel(n_jobs=-1, verbose=1)(tasks))
    head = "| studies | chance foretold | found | share foretold | share found | found over foretold |"
    lines = [
        "# What `next` foretells, and what came of it",
        "",
        f"Made by `python tests/benchmarks/forecast.py {studies}`: {len(kept)} studies on virtual welders (all "
        f"invented), {' or '.join(map(str, SIZES))} welds first and {NEXT} more, {MACHINES} machines a forecast. "
        "Share: of the settings that can be dialled in, none counted as nothing. ±: standard error of the gap.",
        "",
        f"| truth {head}",
        "| --- " * 7 + "|",
        *(row(truth, [k for k in kept if k.truth == truth]) for truth in TRUTHS),
        row("all", kept),
        "",
        f"| chance foretold {head}",
        "| --- " * 7 + "|",
    ]
    for low, high in GROUPS:
        group = [k for k in kept if low <= k.chance < high]
        if group:
            lines.append(row(f"{low:.2f} to {min(high, 1.0):.2f}", group))
    (TREE / "reports" / "forecast.md").write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
