"""Our search, pydoe3's methods and a naive coordinate exchange, side by side in one run.

Usage: ``python tests/benchmarks/planning.py``; writes reports/planning-benchmark.md. Times are this machine's, one
core; values are efficiencies against the best design known (tests/reference/designs/best.json).
"""

from __future__ import annotations

import importlib.util
import itertools
import sys
import time
import warnings
from pathlib import Path
from typing import Any

import numpy as np
from pyDOE3.doe_optimal import optimal_design

from doe.planning.exchange import default_starts, search_design
from doe.planning.problem import DesignProblem, allowed_settings, d_value, i_value

TREE = Path(__file__).parents[2]
METHODS = ("sequential", "simple_exchange", "fedorov", "modified_fedorov", "detmax")
NAIVE_SECONDS = 1.0


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


def run_ours(problem: DesignProblem, criterion: str, starts: int, seed: int) -> tuple[np.ndarray, float]:
    begun = time.process_time()
    design = search_design(problem, criterion=criterion, starts=starts, rng=np.random.default_rng(seed))
    return design.rows, time.process_time() - begun


def run_pydoe3(problem: DesignProblem, criterion: str, best: dict[str, float]) -> tuple[str, float, float]:
    """Give pydoe3's best method with its value and time."""
    candidates, found = allowed_settings(problem), []
    for method in METHODS:
        np.random.seed(1)  # noqa: NPY002 - pydoe3 draws from the global state
        begun = time.process_time()
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                rows, _ = optimal_design(candidates, problem.n_welds, 2, criterion=criterion, method=method)
        except (np.linalg.LinAlgError, ValueError, IndexError):
            continue  # the method gave no design: nothing to set beside ours
        seconds = time.process_time() - begun
        if np.shape(rows) == (problem.n_welds, len(problem.levels)):
            found.append((efficiency(problem, np.asarray(rows), best, criterion), -seconds, method))
    value, seconds, method = max(found, default=(0.0, 0.0, "none gave a design"))
    return method, value, -seconds


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


def main() -> None:
    """Run every problem and write the table."""
    known = load_known()
    lines = [
        "# Planning, side by side",
        "",
        "Made by `python tests/benchmarks/planning.py`; times in seconds of one core. Efficiency: against the best",
        "design known. “reaches pydoe3” is our time to reach the value of pydoe3's best method, on 3 seeds of 3; “–”:",
        "pydoe3 cannot express the problem. The naive exchange has one second.",
        "",
        "| problem | criterion | ours: efficiency (worst of 3 seeds) | seconds | pydoe3's best method | efficiency "
        "| seconds | ours reaches pydoe3 in | naive efficiency |",
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for name, criterion in itertools.product(known.NAMES, ("I", "D")):
        problem, stated = known.problem_of(name)
        best = known.BEST[name]
        runs = [run_ours(problem, criterion, default_starts(problem), seed) for seed in (1, 2, 3)]
        ours = min(efficiency(problem, rows, best, criterion) for rows, _ in runs)
        seconds = float(np.median([s for _, s in runs]))
        row = [name, criterion, f"{ours:.4f}", f"{seconds:.2f}", "–", "–", "–", "–", "–"]
        if can_express(problem, stated):
            method, value, took = run_pydoe3(problem, criterion, best)
            reached = time_to(problem, criterion, best, value)
            row[4:8] = [method, f"{value:.4f}", f"{took:.3f}", "not reached" if reached is None else f"{reached:.3f}"]
            row[8] = f"{run_naive(problem, criterion, best):.4f}"
        lines.append("| " + " | ".join(row) + " |")
        sys.stderr.write(f"{lines[-1]}\n")
    (TREE / "reports" / "planning-benchmark.md").write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
