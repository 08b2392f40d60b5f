"""How long each stage takes, beside the plain way with general libraries in the same run, and how each grows.

    python tests/benchmarks/stages.py                 writes reports/speed.md (some ten minutes)
    python tests/benchmarks/stages.py --cap 20        give up a cell after so many seconds

Each cell runs in a process of its own, one thread of linear algebra. Times are seconds of the processor, so that a busy
machine does not change them much: without the start of Python and the imports, but for commands, which are taken whole.
Memory is the peak resident set of the process.
"""
# ruff: noqa: T201, PLC0415 - each cell imports what it needs, so that its memory is its own

from __future__ import annotations

import argparse
import itertools
import os
import platform
import resource
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

TREE = Path(__file__).parents[2]
PAGE = TREE / "reports" / "speed.md"

# --- what runs in a process of its own: each cell prints its seconds


def study_text(*, factors: int, responses: int, welds: int, positions: int = 9) -> str:
    """Write a study of so many dials, measured responses and welds."""
    parts = ['[study]\ntitle = "Growth"']
    parts += [
        f'[[factor]]\nname = "dial{i}"\nlow = 0.0\nhigh = {positions - 1}.0\nstep = 1.0' for i in range(1, factors + 1)
    ]
    parts += [
        f'[[response]]\nname = "depth{i}"\nkind = "measure"\nunit = "mm"\nat_least = 1.0'
        for i in range(1, responses + 1)
    ]
    model = "second order" if (factors + 1) * (factors + 2) / 2 < welds else "first order"
    parts.append(f'[plan]\nwelds = {welds}\nrepeats = 0\nmodel = "{model}"')
    return "\n".join(parts) + "\n"


def results_text(*, factors: int, responses: int, welds: int, positions: int = 9) -> str:
    """Write results of random settings: a bent surface with scatter; invented."""
    import numpy as np

    rng = np.random.default_rng(1)
    dials = rng.integers(0, positions, size=(welds, factors)).astype(float)
    coded = 2 * dials / (positions - 1) - 1
    rows = [["weld", *(f"dial{i + 1}" for i in range(factors)), *(f"depth{i + 1} [mm]" for i in range(responses))]]
    for w in range(welds):
        depths = [
            3 + 0.4 * coded[w, j % factors] - 0.3 * coded[w, (j + 1) % factors] ** 2 + 0.2 * rng.standard_normal()
            for j in range(responses)
        ]
        rows.append([f"W{w + 1:03d}", *(f"{v:g}" for v in dials[w]), *(f"{v:.3f}" for v in depths)])
    return "\n".join(",".join(row) for row in rows) + "\n"


def timed(work: Callable[[], object]) -> None:
    """Print the seconds of some work."""
    began = time.process_time()
    note = work()
    took = time.process_time() - began
    print(f"{took:.3f} s {note if isinstance(note, str) else ''}")


def fit_and_window(folder: str) -> None:
    """Fit a folder's results and find the window."""
    from doe.bench import read_results
    from doe.models import fit_responses
    from doe.study import read_study
    from doe.window import find_window

    results = read_results(folder, read_study(folder))

    def work() -> str:
        window = find_window(fit_responses(results, seed=1), seed=1)
        return "a window" if window.answer.found else "no window"

    timed(work)


def plan(folder: str) -> None:
    """Plan a study's welds."""
    from doe.planning import plan_welds
    from doe.study import read_study

    study = read_study(folder)
    timed(lambda: plan_welds(study, seed=1))


def plain_plan(n_welds: str) -> None:
    """The plain way to a plan: pydoe3's exchange on the candidates of the demo's three dials."""
    import warnings

    import numpy as np
    from pyDOE3.doe_optimal import optimal_design

    from doe.planning.region import reachable_settings
    from doe.shipped import shipped
    from doe.study import read_study

    study = read_study(shipped("hinge-lugs/study.toml"))
    candidates = study.coding.to_coded(reachable_settings(study, at_most=1000).points)
    warnings.simplefilter("ignore")
    np.random.seed(1)  # noqa: NPY002 - pydoe3 draws from the global state
    timed(lambda: optimal_design(candidates, n_points=int(n_welds), degree=2, criterion="I", method="fedorov"))


def plain_window(n_settings: str, n_draws: str) -> None:
    """The plain way to the assurance of settings: statsmodels' fit, then a loop over draws of its coefficients."""
    import numpy as np
    import statsmodels.api as sm
    from scipy.stats import norm

    rng = np.random.default_rng(1)

    def columns(x: np.ndarray) -> np.ndarray:
        a, b, c = x.T
        return np.column_stack([np.ones(len(x)), a, b, c, a * b, a * c, b * c, a * a, b * b, c * c])

    def work() -> None:
        x = rng.uniform(-1, 1, (24, 3))
        grid = columns(rng.uniform(-1, 1, (int(n_settings), 3)))
        passes = np.ones((int(n_draws), int(n_settings)), dtype=np.float32)
        for response in range(3):
            y = 3 + x @ [0.4, 0.3, 0.2] + 0.2 * rng.standard_normal(24) + response
            fit = sm.OLS(y, columns(x)).fit()
            draws = rng.multivariate_normal(fit.params, fit.cov_params(), size=int(n_draws))
            for i, draw in enumerate(draws):
                passes[i] *= norm.sf((2.0 - grid @ draw) / np.sqrt(fit.scale))
        np.quantile(passes, 0.1, axis=0)

    timed(work)


def our_window(n_settings: str, n_draws: str) -> None:
    """Our assurance of settings: three responses of the demo's welder, so many settings and draws."""
    import numpy as np

    from doe.bench import read_results
    from doe.models import fit_responses
    from doe.models.fit import Points
    from doe.study import read_study

    folder = os.environ["WELDWINDOW_DEMO"]
    study = read_study(folder)
    fit = fit_responses(read_results(folder, study), seed=1)
    rng = np.random.default_rng(1)
    ends = np.array([[f.low, f.high] for f in study.factors])
    settings = rng.uniform(ends[:, 0], ends[:, 1], (int(n_settings), len(ends)))
    step = max(1, 4_000_000 // int(n_draws))

    def work() -> None:
        posteriors = [part.model.draw(int(n_draws), np.random.default_rng(1)) for part in fit.responses if part.model]
        for start in range(0, len(settings), step):
            points = Points(settings[start : start + step])
            passes = np.ones((posteriors[0].n_draws, len(points.natural)))
            for posterior in posteriors:
                passes = passes[: posterior.n_draws] * (1 - posterior.failure(points))
            np.quantile(passes, 0.1, axis=0)

    timed(work)


CELLS = {f.__name__: f for f in (fit_and_window, plan, plain_plan, plain_window, our_window)}

# --- what starts them


class Bench:
    """Runs cells, each in a process of its own and for at most so many seconds."""

    def __init__(self, cap_s: int) -> None:
        self.cap_s = cap_s

    def cell(self, name: str, *arguments: str) -> str:
        """Give seconds and memory of a cell, or that it did not end."""
        return self._run([sys.executable, __file__, "--cell", name, *arguments], own=True)

    def whole(self, *command: str) -> str:
        """Give the seconds of a whole command, the best of three, and its memory."""
        return self._run([sys.executable, *command], own=False)

    def cell_of(self, *command: str) -> str:
        """Give the seconds of a command that can be given only once."""
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run([sys.executable, *command], check=True, capture_output=True)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        return f"{after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime:.2f} s"

    def _run(self, command: list[str], *, own: bool) -> str:
        best, note = float("inf"), ""
        for _ in range(1 if own else 3):
            with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as said:
                process = subprocess.Popen(command, stdout=out, stderr=said, preexec_fn=self._limit)  # noqa: PLW1509 - no threads here
                _, status, used = os.wait4(process.pid, 0)
                process.returncode = os.waitstatus_to_exitcode(status)
                out.seek(0)
                said.seek(0)
                printed, told = out.read().decode(errors="replace"), said.read().decode(errors="replace")
            if process.returncode in (-signal.SIGXCPU, -signal.SIGKILL):
                return f"did not end in {self.cap_s} s"
            if process.returncode not in (0, 4):
                return f"refused: {told.strip().splitlines()[-1][:90]}"
            if own:
                seconds, _, *words = printed.split(maxsplit=2)
                best, note = float(seconds), "".join(words).strip()
            else:
                best = min(best, used.ru_utime + used.ru_stime)
        return f"{best:.2f} s, {used.ru_maxrss / 1024:.0f} MB" + (f", {note}" if note else "")

    def _limit(self) -> None:
        resource.setrlimit(resource.RLIMIT_CPU, (self.cap_s, self.cap_s + 5))


def make_folder(parent: Path, **sizes: int) -> Path:
    """Write a study with its results."""
    folder = parent / "-".join(f"{k}{v}" for k, v in sizes.items())
    folder.mkdir()
    (folder / "study.toml").write_text(study_text(**sizes))
    (folder / "results.csv").write_text(results_text(**sizes))
    return folder


def stages(bench: Bench, parent: Path) -> Iterator[str]:
    """Time each stage on the shipped example."""
    yield from ("| stage | ours | the plain way |", "|---|---|---|")
    for name, command in (
        ("python -c pass", ("-c", "pass")),
        ("import click", ("-c", "import click")),
        ("weldwindow --help", ("-m", "cli.main", "--help")),
    ):
        yield f"| {name} | {bench.whole(*command)} | |"
    demo, bare = parent / "hinge", parent / "bare"
    yield f"| demo, the whole job | {bench.cell_of('-m', 'cli.main', 'demo', str(demo))} | |"
    os.environ["WELDWINDOW_DEMO"] = str(demo)
    forty = make_folder(parent, factors=3, responses=3, welds=40)
    yield f"| check, 40 welds | {bench.whole('-m', 'cli.main', 'check', str(forty))} | |"
    bare.mkdir()
    (bare / "study.toml").write_bytes((demo / "study.toml").read_bytes())
    plain = bench.cell("plain_plan", "24")
    yield f"| plan, 24 welds (the search) | {bench.cell('plan', str(bare))} | pydoe3, fedorov: {plain} |"
    yield f"| fit and window, 24 welds | {bench.cell('fit_and_window', str(demo))} | |"
    plain = bench.cell("plain_window", "4000", "4000")
    ours = bench.cell("our_window", "4000", "4000")
    yield f"| 4,000 settings, 4,000 draws, 3 responses | {ours} | statsmodels, loop over draws: {plain} |"
    yield f"| report, the whole command | {bench.whole('-m', 'cli.main', 'report', str(demo))} | |"


GROWS = (
    *(("welds (3 dials, 2 responses)", f"{n}", {"factors": 3, "responses": 2, "welds": n}) for n in (12, 50, 400)),
    *(("dials (60 welds, 2 responses)", f"{n}", {"factors": n, "responses": 2, "welds": 60}) for n in (2, 4, 8)),
    *(
        ("settings (3 dials, 24 welds)", f"{n**3:,}", {"factors": 3, "responses": 1, "welds": 24, "positions": n})
        for n in (10, 32, 100)
    ),
    ("all at once", "400 welds, 8 dials, 12 responses", {"factors": 8, "responses": 12, "welds": 400}),
)
"""What grows, how it is named, and the sizes of the study."""


def growth(bench: Bench, parent: Path) -> Iterator[str]:
    """Time how each stage grows."""
    yield from ("| what grows | size | fit and window | plan (search) |", "|---|---|---|---|")
    for what, size, sizes in GROWS:
        folder = str(make_folder(parent, **sizes))
        yield f"| {what} | {size} | {bench.cell('fit_and_window', folder)} | {bench.cell('plan', folder)} |"
    yield from ("", "| draws (1,000 settings) | ours | statsmodels, loop over draws |", "|---|---|---|")
    for draws in ("1000", "10000", "100000"):
        cells = [bench.cell(name, "1000", draws) for name in ("our_window", "plain_window")]
        yield f"| {int(draws):,} | {' | '.join(cells)} |"


def main() -> int:
    """Run one cell, or all of them."""
    if sys.argv[1:2] == ["--cell"]:
        CELLS[sys.argv[2]](*sys.argv[3:])
        return 0
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cap", type=int, default=60, help="seconds after which a cell is given up")
    parser.add_argument("--page", type=Path, default=PAGE)
    asked = parser.parse_args()
    bench = Bench(asked.cap)
    lines = [
        "# Speed and growth",
        "",
        f"Made by `python tests/benchmarks/stages.py --cap {asked.cap}`; a cell is given up after so many seconds.",
        f"Python {platform.python_version()}, {os.cpu_count()} processors, one thread of linear algebra. Seconds of",
        "the processor; peak memory with the imports. The plain way does less: no plates, no counts, no trips.",
        "",
    ]
    print("\n".join(lines))
    with tempfile.TemporaryDirectory() as name:
        for line in itertools.chain(stages(bench, Path(name)), [""], growth(bench, Path(name))):
            print(line, flush=True)
            lines.append(line)
    asked.page.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
