"""Our search, pydoe3's methods and a naive coordinate exchange, side by side in one run.

Usage: ``python tests/benchmarks/planning.py``; writes reports/planning-benchmark.md. Times are this machine's, one
core; values are efficiencies against the best design known (tests/reference/designs/best.json).
"""

from __future__ import annotations

import importlib.util
import itertools
import os
import sys
import time
import warnings
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # one core, as the times are stated

import numpy as np
from pyDOE3.doe_optimal import optimal_design

from doe.planning.exchange import default_starts, search_design
from doe.planning.problem import DesignProblem, allowed_settings, d_value, i_value

TREE = Path(__file__).parents[2]
METHODS = ("sequential", "simple_exchange", "fedorov", "modified_fedorov", "detmax")
ALPHAS = (0.0, 0.01)
"""pydoe3's augmentation of a singular start; without it several methods give no design for I."""
NAIVE_SECONDS = 1.0
SHORT_S, REPEATED = 0.1, 9
"""A run that takes less than this is made so many times, ours and pydoe3's alike."""
NEAR = 0.999
"""The share of the best value known that counts as reaching it."""


def load_known() -> Any:
    """Load the problems as the tests do."""
    path = TREE / "tests" / "doe" / "planning" / "test_known_problems.py"
    spec = importlib.util.spec_from_file_location("known_problems", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def efficiency(problem: DesignProblem, rows: np.ndarray, best: dict[str, float], criterion: str) -> float:
    """Judge any design by the same definitions."""
    if np.linalg.matrix_rank(np.asarray(rows, dtype=float)) == 0:
        return 0.0
    if criterion == "I":
        value = i_value(problem, rows)
        return best["I_best"] / value if np.isfinite(value) and value > 0 else 0.0
    return d_value(problem, rows) / best["D_best"]


def can_express(problem: DesignProblem, stated: dict[str, Any]) -> bool:
    """Whether pydoe3 can pose the problem: numeric factors, a full quadratic, no plates, blocks or given welds."""
    k = len(problem.levels)
    full = len(problem.terms) == (k + 1) * (k + 2) // 2
    special = any(stated.get(key) for key in ("whole_plots", "blocks", "given"))
    return full and not special and not any(f.is_kind for f in problem.coding.factors)


def timed(run: Callable[[], Any]) -> tuple[Any, float]:
    """Run; give what came of it and its time, for a short run the median of so many more."""
    taken: list[float] = []
    while not taken or (len(taken) < REPEATED and taken[0] < SHORT_S):
        begun = time.process_time()
        found = run()
        taken.append(time.process_time() - begun)
    return found, float(np.median(taken))


def run_ours(problem: DesignProblem, criterion: str, starts: int, seed: int) -> tuple[np.ndarray, float]:
    design, seconds = timed(
        lambda: search_design(problem, criterion=criterion, starts=starts, rng=np.random.default_rng(seed))
    )
    return design.rows, seconds


def run_pydoe3(problem: DesignProblem, criterion: str, best: dict[str, float]) -> tuple[str, float, float]:
    """Give pydoe3's best method with its value and time; of equal values the quickest."""
    candidates, found = allowed_settings(problem), []
    for method, alpha in itertools.product(METHODS, ALPHAS):
        wishes = {"criterion": criterion, "method": method, "alpha": alpha}
        try:
            rows, seconds = timed(partial(pydoe3_design, candidates, problem.n_welds, wishes))
        except (np.linalg.LinAlgError, ValueError, IndexError):
            continue  # the method gave no design: nothing to set beside ours
        if np.shape(rows) == (problem.n_welds, len(problem.levels)):
            value = efficiency(problem, np.asarray(rows), best, criterion)
            found.append((round(value, 9), -seconds, f"{method}, alpha {alpha:g}"))
    value, seconds, method = max(found, default=(0.0, 0.0, ""))
    return method, value, -seconds


def pydoe3_design(candidates: np.ndarray, n_welds: int, wishes: dict[str, Any]) -> Any:
    """Run a method of pydoe3 on a full quadratic."""
    np.random.seed(1)  # noqa: NPY002 - pydoe3 draws from the global state
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        rows, _ = optimal_design(candidates, n_welds, 2, **wishes)
    return rows


def run_naive(problem: DesignProblem, criterion: str, best: dict[str, float]) -> float:
    """Exchange one coordinate of one weld at a time, from random starts, for a second."""
    rng, points = np.random.default_rng(1), allowed_settings(problem)
    begun, most = time.process_time(), 0.0
    while time.process_time() - begun < NAIVE_SECONDS:
        rows = points[rng.integers(len(points), size=problem.n_welds)]
        value, moved = efficiency(problem, rows, best, criterion), True
        while moved and time.process_time() - begun < NAIVE_SECONDS:
            moved = False
            for i, j in itertools.product(range(len(rows)), range(len(problem.levels))):
                for level in problem.levels[j]:
                    trial = rows.copy()
                    trial[i, j] = level
                    if (trial[i] @ problem.limit_matrix.T > problem.limit_bound + 1e-9).any():
                        continue
                    judged = efficiency(problem, trial, best, criterion)
                    if judged > value + 1e-9:
                        rows, value, moved = trial, judged, True
        most = max(most, value)
    return most


def time_to(problem: DesignProblem, criterion: str, best: dict[str, float], target: float) -> float | None:
    """Give our time, median of three seeds, with the fewest starts (a power of two) that reach a value."""
    for starts in (2**i for i in range(10)):
        runs = [run_ours(problem, criterion, starts, seed) for seed in (1, 2, 3)]
        if min(efficiency(problem, rows, best, criterion) for rows, _ in runs) >= target - 1e-6:
            return float(np.median([seconds for _, seconds in runs]))
    return None


def compare(problem: DesignProblem, stated: dict[str, Any], best: dict[str, float], criterion: str) -> list[str]:
    """Run all there is on one problem; give the cells of its row."""
    runs = [run_ours(problem, criterion, default_starts(problem, criterion), seed) for seed in (1, 2, 3)]
    ours = min(efficiency(problem, rows, best, criterion) for rows, _ in runs)
    cells = [f"{ours:.5f}", f"{np.median([s for _, s in runs]):.2f}", shown(time_to(problem, criterion, best, NEAR))]
    if not can_express(problem, stated):
        return [*cells, *["–"] * 5]
    method, value, took = run_pydoe3(problem, criterion, best)
    naive = f"{run_naive(problem, criterion, best):.4f}"
    if value == 0.0:
        return [*cells, "none gave a design", "–", "–", "–", naive]
    return [*cells, method, f"{value:.4f}", shown(took), shown(time_to(problem, criterion, best, value)), naive]


def shown(seconds: float | None) -> str:
    """Write a time."""
    return "not reached" if seconds is None else f"{seconds:.4f}"


def summary(rows: list[list[str]]) -> list[str]:
    """Count where the aims are reached, and name where they are not. rows: the cells of the table."""
    below = [f"{r[0]} ({r[1]}, {r[2]})" for r in rows if float(r[2]) < NEAR]
    given = [r for r in rows if r[7] != "–"]
    late = [r for r in given if r[8] == "not reached" or float(r[8]) > float(r[7])]
    named = ", ".join(f"{r[0]} {r[1]} ({r[7]} s, ours {r[8]}{'' if r[8] == 'not reached' else ' s'})" for r in late)
    return [
        f"With the default effort {len(rows) - len(below)} of {len(rows)} reach {NEAR} of the best value known on 3 "
        f"seeds of 3{'; not: ' + ', '.join(below) if below else ''}. The value of pydoe3's best method is reached in "
        f"less time on {len(given) - len(late)} of the {len(given)} problems for which it gave a design"
        f"{'; pydoe3 is quicker on ' + named if late else ''}.",
        "",
    ]


def main() -> None:
    """Run every problem and write the table."""
    known = load_known()
    head = [
        "# Planning, side by side",
        "",
        "Made by `python tests/benchmarks/planning.py`; times in seconds of one core, medians of three seeds,",
        f"and of {REPEATED} runs each where one takes less than {SHORT_S} s; pydoe3's alike.",
        "Efficiency: against the best design known (`tests/reference/designs`). The default effort is a number of",
        f"starts. “{NEAR} in” is our time with the fewest starts that reach {NEAR} of the best value known on 3 seeds",
        "of 3; “reaches pydoe3 in” the same for the value of pydoe3's best method (of five, each with and without",
        "augmentation; of equal ones the quickest). “–”: pydoe3 cannot express the problem. The naive coordinate",
        "exchange has one second.",
        "",
    ]
    lines = [
        "| problem | criterion | ours, default effort: worst efficiency of 3 seeds | seconds "
        f"| {NEAR} in | pydoe3's best method | efficiency | seconds | ours reaches pydoe3 in | naive efficiency |",
        "| --- " * 10 + "|",
    ]
    rows: list[list[str]] = []
    for name, criterion in itertools.product(known.NAMES, ("I", "D")):
        problem, stated = known.problem_of(name)
        cells = compare(problem, stated, known.BEST[name], criterion)
        rows.append([name, criterion, *cells])
        lines.append("| " + " | ".join(rows[-1]) + " |")
        sys.stderr.write(f"{lines[-1]}\n")
    page = "\n".join([*head, *summary(rows), *lines]) + "\n"
    (TREE / "reports" / "planning-benchmark.md").write_text(page, encoding="utf-8")


if __name__ == "__main__":
    main()
