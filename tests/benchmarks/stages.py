"""How long each stage takes, beside the plain way with general libraries in the same run, and how each grows.

    python tests/benchmarks/stages.py                 writes reports/speed.md (some minutes)
    python tests/benchmarks/stages.py --cap 20        give up a cell after so many seconds, a command after ten times

Each cell runs in a process of its own, one thread of linear algebra. Times are seconds of the processor, so that a busy
machine does not change them much: without the start of Python and the imports, but for commands, which are taken whole.
Memory is the peak resident set of the process.
"""
# ruff: noqa: T201, PLC0415 - each cell imports what it needs, so that its memory is its own

from __future__ import annotations

import argparse
import functools
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
MOST_BYTES = 6 * 2**30
"""No process may take more memory."""
PAGE = TREE / "reports" / "speed.md"

# --- what runs in a process of its own: each cell prints its seconds


def study_text(*, factors: int, responses: int, welds: int, positions: int = 9) -> str:
    """Write a study of so many dials, measured responses and welds."""
    parts = ['[study]\ntitle = "Growth"']
    parts += [
        f'[[factor]]\nname = "dial{i}"\nlow = 0.0\nhigh = {positions - 1}.0\nstep = 1.0' for i in range(1, factors + 1)
    ]
    parts += [
        f'[[response]]\nname = "depth{i}"\nkind = "measure"\nunit = "mm"\nat_least = 1.0\nexpect_scatter = 0.2'
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


def plain_plan(folder: str) -> None:
    """The plain way to a plan: pydoe3's exchange on the ends and middles of every dial, or the settings of three."""
    import warnings

    import numpy as np
    from pyDOE3.doe_optimal import optimal_design

    from doe.planning.region import reachable_settings
    from doe.study import read_study

    study = read_study(folder)
    candidates = study.coding.to_coded(reachable_settings(study, at_most=1000).points)
    warnings.simplefilter("ignore")
    np.random.seed(1)  # noqa: NPY002 - pydoe3 draws from the global state
    n, degree = study.plan.welds, 2 if study.plan.model == "second order" else 1
    timed(lambda: optimal_design(candidates, n_points=n, degree=degree, criterion="I", method="fedorov"))


def plain_window(n_settings: str, n_draws: str, factors: str = "3", responses: str = "3", welds: str = "24") -> None:
    """The plain way to the assurance of settings: statsmodels' fit, then a loop over draws of its coefficients."""
    import numpy as np
    import statsmodels.api as sm
    from scipy.stats import norm

    rng, k = np.random.default_rng(1), int(factors)
    second = (k + 1) * (k + 2) // 2 < int(welds)

    def columns(x: np.ndarray) -> np.ndarray:
        products = [x[:, i] * x[:, j] for i in range(k) for j in range(i, k)] if second else []
        return np.column_stack([np.ones(len(x)), x, *products])

    def work() -> None:
        x = rng.uniform(-1, 1, (int(welds), k))
        grid = columns(rng.uniform(-1, 1, (int(n_settings), k)))
        passes = np.ones((int(n_draws), int(n_settings)), dtype=np.float32)
        for response in range(int(responses)):
            y = 3 + 0.4 * x[:, 0] + 0.3 * x[:, 1] + 0.2 * rng.standard_normal(len(x)) + response
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
    from doe.study import read_study
    from doe.window.assurance import EVERY_WELD, assess
    from doe.window.posing import draw_source, required_fits

    folder = os.environ["WELDWINDOW_DEMO"]
    study = read_study(folder)
    fit = fit_responses(read_results(folder, study), seed=1)
    rng = np.random.default_rng(1)
    ends = np.array([[f.low, f.high] for f in study.factors])
    settings = rng.uniform(ends[:, 0], ends[:, 1], (int(n_settings), len(ends)))
    source = draw_source(required_fits(fit), fit, 1)
    timed(lambda: assess(source(1, int(n_draws)), settings, EVERY_WELD, confidence=0.9))


def arithmetic(way: str) -> None:
    """One way through the arithmetic of ``window_arithmetic``."""
    import window_arithmetic

    seconds, share = window_arithmetic.WAYS[way]()
    print(f"{seconds:.3f} s mean share {share:.4f}")


def profile(folder: str) -> None:
    """Where the time of fit and window goes, and how much of it the processor cannot be spared."""
    import cProfile
    import pstats

    import numpy as np
    from scipy.special import ndtr

    from doe.bench import read_results
    from doe.models import fit_responses, measure_posterior
    from doe.study import read_study
    from doe.window import find_window

    results, cells, products = read_results(folder, read_study(folder)), [0], [0]
    own = measure_posterior.MeasurePosterior._beyond

    def counted(
        posterior: measure_posterior.MeasurePosterior, X: np.ndarray, limit: float, *, sign: float
    ) -> np.ndarray:
        cells[0] += posterior.n_draws * len(X)
        products[0] += posterior.n_draws * X.size
        return own(posterior, X, limit, sign=sign)

    measure_posterior.MeasurePosterior._beyond = counted  # type: ignore[method-assign]
    profiler, began = cProfile.Profile(time.process_time), time.process_time()
    profiler.enable()
    find_window(fit_responses(results, seed=1), seed=1)
    profiler.disable()
    took = time.process_time() - began
    stats = pstats.Stats(profiler).stats  # type: ignore[attr-defined]
    slowest = max(stats, key=lambda at: stats[at][2])
    block, a = np.linspace(-6.0, 2.0, 4096), np.ones((512, 512))
    each, product = best(lambda: ndtr(block)) / block.size, best(lambda: a @ a) / 512**3
    least = cells[0] * each + products[0] * product
    share = stats[slowest][2] / sum(row[2] for row in stats.values())
    print(
        f"{took:.3f} s slowest by itself `{slowest[2]}`, {100 * share:.0f} % of it. It works out {cells[0]:,} chances "
        f"that a weld misses a measure's limit, {each * 1e9:.1f} ns each (scipy's normal distribution), and multiplies "
        f"{products[0]:,} times, {product * 1e9:.3f} ns each (a large product of matrices): {least:.2f} s at the least"
    )


def best(work: Callable[[], object]) -> float:
    """Give the seconds of one run: the least of several means, each over at least a fifth of a second."""
    means = []
    for _ in range(3):
        began, runs = time.process_time(), 0
        while time.process_time() - began < 0.2:
            work()
            runs += 1
        means.append((time.process_time() - began) / runs)
    return min(means)


CELLS = {f.__name__: f for f in (fit_and_window, plan, plain_plan, plain_window, our_window, arithmetic, profile)}

# --- what starts them


class Bench:
    """Runs cells, each in a process of its own and for at most so many seconds."""

    def __init__(self, cap_s: int) -> None:
        self.cap_s = cap_s

    def cell(self, name: str, *arguments: str) -> str:
        """Give seconds and memory of a cell, or that it did not end."""
        return self._run([sys.executable, __file__, "--cell", name, *arguments], own=True)

    def whole(self, *command: str, once: bool = False) -> str:
        """Give the seconds of a whole command, the best of three or those of one run, and its memory."""
        return self._run([sys.executable, *command], own=False, runs=1 if once else 3)

    def _run(self, command: list[str], *, own: bool, runs: int = 1) -> str:
        least, note, cap_s = float("inf"), "", self.cap_s if own else 10 * self.cap_s
        for _ in range(runs):
            with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as said:
                bound = functools.partial(limit, cap_s)
                process = subprocess.Popen(command, stdout=out, stderr=said, preexec_fn=bound)  # noqa: PLW1509 - no threads here
                _, status, used = os.wait4(process.pid, 0)
                process.returncode = os.waitstatus_to_exitcode(status)
                out.seek(0)
                said.seek(0)
                printed, told = out.read().decode(errors="replace"), said.read().decode(errors="replace")
            if process.returncode in (-signal.SIGXCPU, -signal.SIGKILL):
                return f"did not end in {cap_s} s"
            if "MemoryError" in told:
                return f"needs more than {MOST_BYTES / 2**30:.0f} GB"
            if process.returncode not in (0, 4):
                return f"refused: {told.strip().splitlines()[-1][:90]}"
            if own:
                seconds, _, *words = printed.split(maxsplit=2)
                least, note = float(seconds), "".join(words).strip()
            else:
                least = min(least, used.ru_utime + used.ru_stime)
        return f"{least:.2f} s, {used.ru_maxrss / 1024:.0f} MB" + (f", {note}" if note else "")


def limit(cap_s: int) -> None:
    """Let a process have so many seconds of the processor."""
    resource.setrlimit(resource.RLIMIT_CPU, (cap_s, cap_s + 5))
    resource.setrlimit(resource.RLIMIT_AS, (MOST_BYTES, MOST_BYTES))


def make_folder(parent: Path, **sizes: int) -> Path:
    """Write a study with its results."""
    folder = parent / "-".join(f"{k}{v}" for k, v in sizes.items())
    folder.mkdir()
    (folder / "study.toml").write_text(study_text(**sizes))
    (folder / "results.csv").write_text(results_text(**sizes))
    return folder


def stages(bench: Bench, parent: Path) -> Iterator[str]:
    """Time each stage on the shipped example."""
    yield from ("| stage | aim | ours | the plain way |", "|---|---|---|---|")
    for name, aim, command in (
        ("python -c pass", "", ("-c", "pass")),
        ("import click", "", ("-c", "import click")),
        ("weldwindow --help", "6 times the first", ("-m", "cli.main", "--help")),
    ):
        yield f"| {name} | {aim} | {bench.whole(*command)} | |"
    demo, bare = parent / "hinge", parent / "bare"
    yield f"| demo, the whole job | 15 s | {bench.whole('-m', 'cli.main', 'demo', str(demo), once=True)} | |"
    os.environ["WELDWINDOW_DEMO"] = str(demo)
    forty = make_folder(parent, factors=3, responses=3, welds=40)
    yield f"| check, 40 welds | 1 s | {bench.whole('-m', 'cli.main', 'check', str(forty))} | |"
    bare.mkdir()
    (bare / "study.toml").write_bytes((demo / "study.toml").read_bytes())
    plain = bench.cell("plain_plan", str(bare))
    yield f"| plan, 24 welds: the search | 4 s | {bench.cell('plan', str(bare))} | pydoe3, fedorov: {plain} |"
    yield f"| plan, the whole command | 4 s | {bench.whole('-m', 'cli.main', 'plan', str(bare), once=True)} | |"
    yield f"| fit and window, 24 welds | 4 s | {bench.cell('fit_and_window', str(demo))} | |"
    yield f"| window, the whole command | 4 s | {bench.whole('-m', 'cli.main', 'window', str(demo))} | |"
    for name, folder in (("some", twenty(parent, demo)), ("every", plain_twenty(parent))):
        found = bench.cell("fit_and_window", str(folder))
        yield f"| three fits and the window, 12 x 20 x 6 settings, 4,000 draws, {name} setting good | 1 s | {found} | |"
    plain = bench.cell("plain_window", "4000", "4000")
    ours = bench.cell("our_window", "4000", "4000")
    yield f"| 4,000 settings, 4,000 draws, 3 responses | | {ours} | statsmodels, loop over draws: {plain} |"
    yield f"| report, the whole command | 6 s | {bench.whole('-m', 'cli.main', 'report', str(demo))} | |"
    yield from ("", "| 50,000 settings, 2,000 draws, three models: `window_arithmetic.py` | |", "|---|---|")
    for way in ("plain", "whole", "blocked", "ours", "ours_with_bounds"):
        yield f"| {way.replace('_', ' ')} | {bench.cell('arithmetic', way)} |"
    yield from ("", f"Of fit and window where every setting is good: {bench.cell('profile', str(folder))}.")


def twenty(parent: Path, demo: Path) -> Path:
    """Write the example on dials of 12 and 20 values and 6 preheats, welded by its virtual welder."""
    import numpy as np

    from doe.planning import plan_welds
    from doe.study import read_study
    from doe.virtual import WELDERS, filled_table, weld_plan

    text = (demo / "study.toml").read_text(encoding="utf-8")
    marks = 'marks = { "1" = 17.0, "2" = 18.4, "3" = 19.6, "4" = 21.1, "5" = 22.3 }'
    changes = {
        marks: "low = 17.0\nhigh = 22.5\nstep = 0.5",
        "high = 9.0\nstep = 0.5": "high = 9.75\nstep = 0.25",
        "levels = [20, 70, 120]": "levels = [20, 40, 60, 80, 100, 120]",
    }
    for old, new in changes.items():
        if old not in text:
            message = f"the example has no {old!r} any more"
            raise ValueError(message)
        text = text.replace(old, new)
    folder = parent / "twenty"
    folder.mkdir()
    (folder / "study.toml").write_text(text, encoding="utf-8")
    plan = plan_welds(read_study(folder), seed=1)
    made = weld_plan(plan, WELDERS["hinge lugs"], rng=np.random.default_rng([1, 2]))
    (folder / "results.csv").write_text(filled_table(plan, made), encoding="utf-8")
    return folder


def plain_twenty(parent: Path) -> Path:
    """Write three measures on 12, 20 and 6 values: easy to meet, so that every setting stays in the search."""
    folder = make_folder(parent, factors=3, responses=3, welds=24, positions=6)
    text = (folder / "study.toml").read_text()
    for i, positions in ((1, 12), (2, 20)):
        dial = f'name = "dial{i}"\nlow = 0.0\nhigh = 5.0\nstep = 1.0'
        text = text.replace(dial, f'name = "dial{i}"\nlow = 0.0\nhigh = 5.0\nstep = {5 / (positions - 1)!r}')
    (folder / "study.toml").write_text(text)
    return folder


GROWS = (
    *(("welds (3 dials, 2 responses)", f"{n}", {"factors": 3, "responses": 2, "welds": n}) for n in (12, 50, 150, 400)),
    *(("dials (60 welds, 2 responses)", f"{n}", {"factors": n, "responses": 2, "welds": 60}) for n in (2, 4, 6, 8)),
    *(
        ("settings (3 dials, 24 welds)", f"{n**3:,}", {"factors": 3, "responses": 1, "welds": 24, "positions": n})
        for n in (10, 32, 100)
    ),
    ("all at once", "400 welds, 8 dials, 12 responses", {"factors": 8, "responses": 12, "welds": 400}),
)
"""What grows, how it is named, and the sizes of the study."""


def growth(bench: Bench, parent: Path) -> Iterator[str]:
    """Time how each stage grows."""
    head = ("what grows", "size", "fit and window", "statsmodels, 1,000 draws", "plan (search)", "pydoe3, fedorov")
    yield from (f"| {' | '.join(head)} |", "|---" * len(head) + "|")
    for what, size, sizes in GROWS:
        folder = str(make_folder(parent, **sizes))
        grid = min(int(sizes.get("positions", 9)) ** sizes["factors"], 1_000_000)
        plain = bench.cell(
            "plain_window", str(grid), "1000", *(str(sizes[k]) for k in ("factors", "responses", "welds"))
        )
        plans = [bench.cell(name, folder) for name in ("plan", "plain_plan")]
        yield f"| {what} | {size} | {bench.cell('fit_and_window', folder)} | {plain} | {' | '.join(plans)} |"
    yield from ("", "| draws (1,000 settings) | ours | statsmodels, loop over draws |", "|---|---|---|")
    for draws in ("1000", "10000", "100000"):
        cells = [bench.cell(name, "1000", draws) for name in ("our_window", "plain_window")]
        yield f"| {int(draws):,} | {' | '.join(cells)} |"
    yield from ("", "| 400 welds, 8 dials, 12 responses: whole commands | |", "|---|---|")
    for name in ("check", "fit", "window", "report", "next", "pack"):
        yield f"| {name} | {bench.whole('-m', 'cli.main', name, folder, once=True)} |"


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
        "the processor; peak memory with the imports. The plain way does less: no plates, no counts, no trips, no",
        "third-order terms, no box; but it looks at up to 1,000,000 settings where ours thins long ranges to 4,000 and",
        "then moves the window's sides on by the dial's own steps.",
        f"Other work had the machine meanwhile: load {os.getloadavg()[0]:.1f} at the start.",
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
