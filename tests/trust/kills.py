"""Kill commands at every step of their writing and at random moments; count what survived.

    python tests/trust/kills.py                     every command, every step, 10 random moments each (minutes)
    python tests/trust/kills.py plan take --random 0

Steps: a command is run once, and before each change of a file (opening for writing, renaming, linking, deleting, making
a folder; told by an audit hook) its folder is copied: that is what a kill at this moment leaves. Random moments: it is
started anew, and killed (SIGKILL). Of everything that was left

- every file holds the old bytes or the new, or is one of ours that waited to be renamed;
- what a person filled in is still there, word for word;
- the command, given again, ends as it would have, with the new state.

Equal leftovers are tried once. POSIX only. Exit code 1 where anything was lost.
"""
# ruff: noqa: T201

from __future__ import annotations

import argparse
import contextlib
import io
import itertools
import os
import random
import shutil
import signal
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
from click.testing import CliRunner

from cli.main import main
from doe.bench.stage import stage_path
from doe.planning.reading import read_plan
from doe.saving import write_text
from doe.study import read_study
from doe.virtual import WELDERS, filled_table, weld_plan

STUDY = """
[study]
title = "Lugs"
[[factor]]
name = "voltage"
unit = "V"
marks = { "1" = 17.0, "2" = 18.4, "3" = 19.6, "4" = 21.1, "5" = 22.3 }
[[response]]
name = "penetration"
kind = "measure"
unit = "mm"
at_least = 0.1
expect_scatter = 0.3
[plan]
welds = 12
repeats = 0
model = "first order"
"""
CHANGES = {"os.rename", "os.link", "os.remove", "os.mkdir", "os.rmdir", "os.truncate"}

Files = dict[str, bytes]


@dataclass
class Scenario:
    """A command, the folder it starts from, and what a person filled in there."""

    name: str
    command: tuple[str, ...]
    prepare: Callable[[Path], None]
    filled: tuple[str, ...] = ()


@dataclass
class Count:
    """What was seen."""

    steps: int = 0
    kills: int = 0
    tried: int = 0
    lost: list[str] = field(default_factory=list)


def run(arguments: list[str]) -> int:
    """Run a command in this process; give its exit code."""
    result = CliRunner().invoke(main, arguments)
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        print(f"{arguments}: {result.exception!r}", file=sys.stderr)
    return result.exit_code


def in_child(work: Callable[[], int]) -> int:
    """Do the work in a fork; give its exit code, or minus the signal that ended it."""
    sys.stdout.flush()
    child = os.fork()
    if child == 0:
        with contextlib.suppress(BaseException):
            os._exit(work())
        os._exit(1)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


def copied_at_every_step(arguments: list[str], folder: Path, copies: Path) -> int:
    """Run a command that copies its folder before each change of a file in it."""

    def work() -> int:
        steps = itertools.count(1)
        busy = False
        place = os.fsencode(folder.resolve())

        def hook(event: str, given: tuple[object, ...]) -> None:
            nonlocal busy
            if busy or not _changes_a_file(event, given, place):
                return
            busy = True
            shutil.copytree(folder, copies / str(next(steps)), symlinks=True)
            busy = False

        sys.addaudithook(hook)
        return run(arguments)

    return in_child(work)


def _changes_a_file(event: str, given: tuple[object, ...], place: bytes) -> bool:
    """Whether an audited event is about to change a file in a folder."""
    if event == "open":
        changes = isinstance(given[2], int) and bool(given[2] & (os.O_WRONLY | os.O_RDWR | os.O_CREAT))
    else:
        changes = event in CHANGES
    path = given[0] if changes else None
    return isinstance(path, str | bytes | os.PathLike) and os.fsencode(Path(os.fsdecode(path)).absolute()).startswith(
        place
    )


def killed_after(arguments: list[str], seconds: float) -> int:
    """Run a command and kill it after so long."""
    child = os.fork()
    if child == 0:
        os._exit(run(arguments))
    time.sleep(seconds)
    with contextlib.suppress(ProcessLookupError):
        os.kill(child, signal.SIGKILL)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


def files_of(folder: Path) -> Files:
    """Give every file's bytes, without those that waited to be renamed."""
    found = (path for path in folder.rglob("*") if path.is_file() and not path.name.endswith(".tmp"))
    return {str(path.relative_to(folder)): path.read_bytes() for path in found}


def look(scenario: Scenario, now: Files, old: Files, new: Files) -> Iterator[str]:
    """Name what is neither old nor new, and what a person lost."""
    known = {*old.values(), *new.values()}
    for name, data in now.items():
        if data not in (old.get(name), new.get(name)) and not (name not in old and name not in new and data in known):
            yield f"{scenario.name}: {name} is neither old nor new ({len(data)} bytes)"
    for name in scenario.filled:
        if old[name] not in now.values():
            yield f"{scenario.name}: what stood in {name} is lost"


def survive(scenario: Scenario, *, n_random: int, rng: random.Random, scratch: Path) -> Count:
    """Kill one command in every way, look, and give it again."""
    start, folder, copies = scratch / "start", scratch / "study", scratch / "copies"
    start.mkdir(parents=True)
    copies.mkdir()
    scenario.prepare(start)
    arguments = [part.format(study=folder, beside=start) for part in scenario.command]
    put_back(start, folder)
    began = time.monotonic()
    if (code := copied_at_every_step(arguments, folder, copies)) != 0:
        return Count(lost=[f"{scenario.name}: ended with {code} where nobody killed it"])
    took = time.monotonic() - began
    old, new = files_of(start), files_of(folder)
    left = sorted(copies.iterdir(), key=lambda path: int(path.name))
    count = Count(steps=len(left), kills=n_random)
    for number in range(n_random):
        put_back(start, folder)
        killed_after(arguments, rng.uniform(0, 1.1 * took))
        left.append(folder.rename(scratch / f"killed {number}"))
    seen: list[Files] = [new]
    for leftover in left:
        now = files_of(leftover)
        count.lost += look(scenario, now, old, new)
        if now not in seen:
            seen.append(now)
            count.tried += 1
            put_back(leftover, folder)
            count.lost += give_again(scenario, arguments, folder, new)
    return count


def put_back(kept: Path, folder: Path) -> None:
    """Make the folder what was kept of it."""
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(kept, folder)


def give_again(scenario: Scenario, arguments: list[str], folder: Path, new: Files) -> Iterator[str]:
    """Give the command again on what a kill left; name what is not as it should be then."""
    code = in_child(lambda: run(arguments))
    after = files_of(folder)
    wrong = [name for name, data in new.items() if after.get(name) != data]
    if code != 0 or wrong:
        yield f"{scenario.name}: given again it ended with {code}; not as it should be: {wrong}"


# --- the folders they start from


def study_only(folder: Path) -> None:
    """A study without a plan."""
    (folder / "study.toml").write_text(STUDY)


def planned(folder: Path) -> None:
    """A study with a plan of another seed."""
    study_only(folder)
    _must(run(["plan", str(folder), "--seed", "7"]))


def welded(folder: Path) -> None:
    """A study whose results are filled in."""
    planned(folder)
    _fill(folder)


def reported(folder: Path) -> None:
    """A study with a report."""
    welded(folder)
    _must(run(["report", str(folder)]))


def confirmed(folder: Path) -> None:
    """A study with a claim whose confirmation welds are made."""
    reported(folder)
    _must(run(["confirm", str(folder)]))
    _fill(folder, stage=2)


def _fill(folder: Path, stage: int = 1) -> None:
    plan = read_plan(stage_path(folder, "plan", stage), read_study(folder))
    results = weld_plan(plan, WELDERS["no pores"], rng=np.random.default_rng(stage))
    write_text(stage_path(folder, "results", stage), filled_table(plan, results))


def with_export(folder: Path) -> None:
    """A blank table, and a filled export beside it."""
    welded(folder)
    (folder / "export.csv").write_bytes((folder / "results.csv").read_bytes())
    _must(run(["plan", str(folder), "--seed", "7", "--replace"]))


def with_second_export(folder: Path) -> None:
    """A table that a person has filled in half, and an export with the rest."""
    with_export(folder)
    lines = (folder / "export.csv").read_text().splitlines(keepends=True)
    blank = (folder / "results.csv").read_text().splitlines(keepends=True)
    rows = [i for i, line in enumerate(lines) if line.startswith("W")]
    half = {lines[i].split(",")[0]: lines[i] for i in rows[::2]}
    (folder / "results.csv").write_text("".join(half.get(line.split(",")[0], line) for line in blank))


def packed(folder: Path) -> None:
    """A study with a pack of an older report."""
    reported(folder)
    _must(run(["pack", str(folder)]))
    _must(run(["report", str(folder), "--seed", "5"]))


def practising(folder: Path) -> None:
    """A folder for practice with a plan."""
    folder.rmdir()
    _must(run(["practise", str(folder), "--group", "3"]))
    (folder / "study.toml").write_text(STUDY)
    _must(run(["plan", str(folder)]))


def _must(code: int) -> None:
    if code != 0:
        message = f"a starting folder could not be made: exit code {code}"
        raise RuntimeError(message)


SCENARIOS = (
    Scenario("plan", ("plan", "{study}"), study_only),
    Scenario("plan again", ("plan", "{study}"), planned),
    Scenario("plan --replace", ("plan", "{study}", "--replace"), welded, filled=("results.csv",)),
    Scenario("take", ("take", "{beside}/export.csv", "{study}"), with_export),
    Scenario("take, merging", ("take", "{beside}/export.csv", "{study}"), with_second_export, filled=("results.csv",)),
    Scenario(
        "take --replace",
        ("take", "{beside}/export.csv", "{study}", "--replace"),
        with_second_export,
        filled=("results.csv",),
    ),
    Scenario("practise", ("practise", "{study}", "--all"), practising),
    Scenario("report", ("report", "{study}"), welded, filled=("results.csv",)),
    Scenario("report again", ("report", "{study}", "--seed", "5"), reported, filled=("results.csv",)),
    Scenario("next", ("next", "{study}", "--welds", "2"), reported, filled=("results.csv",)),
    Scenario("confirm", ("confirm", "{study}"), reported, filled=("results.csv",)),
    Scenario("confirm, judging", ("confirm", "{study}"), confirmed, filled=("results.csv", "results-2.csv")),
    Scenario("confirm --recheck", ("confirm", "{study}", "--recheck"), confirmed, filled=("results-2.csv",)),
    Scenario("pack", ("pack", "{study}"), reported, filled=("results.csv",)),
    Scenario("pack again", ("pack", "{study}"), packed, filled=("results.csv",)),
)


def command() -> int:
    """Run what was asked for and print the counts."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("names", nargs="*", help="first words of scenarios; all without any")
    parser.add_argument("--random", type=int, default=10, help="random moments a command")
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    rng, total = random.Random(asked.seed), Count()
    print(f"{'command':<18}{'steps':>7}{'kills':>7}{'given again':>13}{'lost':>6}")
    for scenario in SCENARIOS:
        if asked.names and scenario.name.split()[0].strip(",") not in asked.names:
            continue
        with tempfile.TemporaryDirectory() as scratch, contextlib.redirect_stderr(io.StringIO()) as said:
            count = survive(scenario, n_random=asked.random, rng=rng, scratch=Path(scratch))
        print(_row(scenario.name, count), flush=True)
        total = Count(total.steps + count.steps, total.kills + count.kills, total.tried + count.tried, total.lost)
        total.lost += count.lost + ([said.getvalue()] if count.lost and said.getvalue() else [])
    print(_row("in all", total))
    print("\n".join(total.lost) or "nothing lost")
    return int(bool(total.lost))


def _row(name: str, count: Count) -> str:
    return f"{name:<18}{count.steps:>7}{count.kills:>7}{count.tried:>13}{len(count.lost):>6}"


if __name__ == "__main__":
    sys.exit(command())
