"""Feed broken files to every reader: anything but a plain refusal is a fault of ours. Prints the counts.

    python tests/trust/fuzz.py                        2,000 inputs a reader, seeded mutation of the shipped files
    python tests/trust/fuzz.py table --runs 20000 --seed 7
    python tests/trust/fuzz.py table --atheris --seconds 60   guided by coverage; pip install atheris first

Readers: study (study.toml), table (results.csv), workbook (results.xlsx), plan (plan.csv), export (the bench page's, as
``take`` reads it), sections (the macro page's, put into a table), joined (two people's tables), edges (edges.csv),
design (``plan --design``), dial (wire pulls), claim (claim.json), answer (answer.json). An input is a finding where it
raises anything but a DoeError or takes longer than --patience seconds; it is kept in --findings. Exit code 1 where
there is one.
"""
# ruff: noqa: T201

from __future__ import annotations

import argparse
import contextlib
import hashlib
import io
import os
import random
import signal
import sys
import tempfile
import time
import traceback
import warnings
import zipfile
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from types import FrameType

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

GUIDED = "--atheris" in sys.argv
if GUIDED:
    import atheris

    watched = atheris.instrument_imports(include=["doe", "cli"])
else:
    watched = contextlib.nullcontext()
with watched:
    from cli.dial_file import read_dial_file
    from doe.bench.answer_file import last_answer, made_from, write_answer
    from doe.bench.due import due_step
    from doe.bench.files import load_sheets
    from doe.bench.joining import join_tables
    from doe.bench.reading import read_results
    from doe.bench.stage import write_stage
    from doe.bench.taking import FROM_MACRO_PAGE, read_export
    from doe.bench.workbook_form import results_workbook
    from doe.errors import DoeError
    from doe.planning.design_file import read_design
    from doe.planning.edges import edge_beads, edges_table, read_edges
    from doe.planning.plan import Plan, PlannedWeld
    from doe.planning.reading import read_plan
    from doe.planning.table import plan_table
    from doe.report.bench_page import FROM_PAGE
    from doe.report.pack import write_pack
    from doe.shipped import shipped
    from doe.study.reading import read_study
    from doe.virtual import WELDERS, filled_table, weld_plan
    from doe.window.claim_file import read_claim

WORDS = (
    b"=", b",", b";", b"\t", b'"', b"#", b"\n", b"\r", b"[", b"]", b"[[", b"]]", b"{", b"}", b"'''", b"\0", b"\xff",
    b"\xef\xbb\xbf", b"nan", b"inf", b"-inf", b"1e308", b"1e-308", b"-0", b"1e999", b"9" * 400, b"9" * 5000, b"0x10",
    b"true", b"1/0", b"3/32", b"1 1/8 in", b"1,5", b"1.500,5", b"\xc2\xb0C", b"degF", b"mm", b"in", b"kinds", b"marks",
    b"levels", b"step", b"rule", b"voltage", b"feed", b"^2", b"*", b"a.b.c", b"-", b"2024-01-01", b"#REF!", b"yes",
    b"weld", b"results", b"actual", b"mark", b"W01", b"P01", b"\xe2\x80\x8b", b"\xf0\x9f\x94\xa5", b"(" * 200,
    b"[" * 3000,
)  # fmt: skip
"""What mutation puts in: what these files are made of, and what readers have stumbled over."""

Reader = Callable[[bytes], object]


class TooLongError(Exception):
    """An input took longer than it may."""


def make_folder(folder: Path) -> dict[str, bytes]:
    """Write a study with a filled-in stage; give a good file for each reader."""
    text = shipped("hinge-lugs/study.toml").read_text(encoding="utf-8")
    (folder / "study.toml").write_text(text, encoding="utf-8")
    study = read_study(folder)
    ends = [f.positions[[0, len(f.positions) // 2, -1]] for f in study.factors]
    welds = tuple(
        PlannedWeld(
            f"W{i + 1:02d}",
            f"P{i // 2 + 1:02d}",
            i % 2 + 1,
            i + 1,
            (float(ends[0][i % 3]), float(ends[1][i // 3 % 3]), float(ends[2][i // 2 % 3])),
        )
        for i in range(8)
    )
    plan = Plan(study, welds, 1, fingerprint=study.fingerprint)
    write_stage(plan)
    results = weld_plan(plan, WELDERS["hinge lugs"], rng=np.random.default_rng(1))
    table = filled_table(plan, results)
    design = "\n".join(["voltage,feed,preheat", *(",".join(f"{v:g}" for v in weld.settings) for weld in welds)])
    return {
        "study": text.encode(),
        "table": table.encode(),
        "workbook": results_workbook(plan),
        "plan": (folder / "plan.csv").read_bytes(),
        "export": _from_bench_page(table).encode(),
        "sections": _from_macro_page(plan).encode(),
        "joined": table.encode(),
        "edges": edges_table(study, edge_beads(study)).encode(),
        "design": design.encode(),
        "dial": b"mark,seconds,length [mm]\n1,5,300\n1,5,305\n3,5,500\n3,5,498\n5,5,720\n5,5,715\n",
        "claim": b'{"schema": 1, "version": "0", "fingerprint": "x", "seed": 1, "claim": {"reliability": 0.9, '
        b'"confidence": 0.9}, "requirements": {}, "window": {"voltage": {"low": 17.0, "high": 18.4}}, '
        b'"single_setting": false, "confidence": 0.9, "share": 0.1, "rests_on": 8, "assumptions": [], '
        b'"rule": {"welds": 4, "failures_allowed": 0}, "stage": 2, "welds": []}',
        "answer": _answer(folder),
    }


def _answer(folder: Path) -> bytes:
    """Give what a report of this folder would leave."""
    study = read_study(folder)
    said = {
        "heading": "A window",
        "setting": "18.4 to 19.6 V",
        "standing": "",
        "study": study.fingerprint,
        "version": "0",
    }
    window = {"found": True, "if_not": None, "seed": 1, "window": {"voltage": {"low": 18.4, "high": 19.6}}}
    confirmation = {"verdict": "confirmed", "stands": True}
    path = write_answer(folder, files=made_from(folder), window=window, confirmation=confirmation, said=said)
    return path.read_bytes()


def _from_bench_page(table: str) -> str:
    """Give a filled-in table as the bench page exports it."""
    lines = table.splitlines()
    n_comments = sum(line.startswith("#") for line in lines)
    return "\n".join([*lines[:n_comments], FROM_PAGE, *lines[n_comments:], ""])


def _from_macro_page(plan: Plan) -> str:
    """Give readings of three sections as the macro page exports them."""
    comments = [line for line in plan_table(plan).splitlines() if line.startswith("#")]
    head = "weld,penetration [mm],penetration 2 [mm],section leg A [mm],section throat [mm],section picture"
    rows = ['W01,2.1,2.3,7.1,5.2,"a photo, cropped.jpg"', "W02,1.8,,6.9,4.9,", "W03,1.4,1.5,,,"]
    return "\n".join([*comments, FROM_MACRO_PAGE, head, *rows, ""])


def readers(folder: Path) -> dict[str, Reader]:
    """Give each reader as a function of a file's bytes."""
    study = read_study(folder)

    def put(name: str, data: bytes) -> Path:
        beside = folder / "tried"
        beside.mkdir(exist_ok=True)
        for old in beside.iterdir():
            old.unlink()
        (beside / "plan.csv").write_bytes((folder / "plan.csv").read_bytes())
        (beside / name).write_bytes(data)
        return beside / name

    def answer(data: bytes) -> object:
        made = folder / "report"
        made.mkdir(exist_ok=True)
        (made / "answer.json").write_bytes(data)
        due_step(folder)
        return write_pack(folder) if last_answer(folder) is not None else None

    def edges(data: bytes) -> object:
        (folder / "edges.csv").write_bytes(data)
        return read_edges(study)

    return {
        "study": lambda data: read_study(put("study.toml", data)),
        "table": lambda data: read_results(put("results.csv", data).parent, study),
        "workbook": lambda data: read_results(put("results.xlsx", data).parent, study),
        "plan": lambda data: read_plan(put("plan.csv", data), study),
        "export": lambda data: read_export(put("export.csv", data), study),
        "sections": lambda data: read_export(put("sections.csv", data), study),
        "joined": lambda data: join_tables(
            load_sheets(folder / "results.csv"), load_sheets(put("theirs.csv", data)), study
        ),
        "edges": edges,
        "design": lambda data: read_design(put("design.csv", data), study),
        "dial": lambda data: read_dial_file(put("dial.csv", data)),
        "claim": lambda data: read_claim(put("claim.json", data).parent),
        "answer": answer,
    }


def mutate(data: bytes, rng: random.Random) -> bytes:
    """Change a file in one to six places; a workbook in one of its parts, or as it lies."""
    if data.startswith(b"PK") and rng.random() < 0.8:
        return _mutate_part(data, rng)
    changed = bytearray(data)
    for _ in range(rng.randint(1, 6)):
        at = rng.randrange(len(changed) + 1)
        upto = min(len(changed), at + rng.choice((1, 1, 4, 20, 200)))
        kind = rng.randrange(6)
        if kind == 0:
            changed[at:at] = rng.choice(WORDS)
        elif kind == 1:
            changed[at:upto] = rng.choice(WORDS)
        elif kind == 2:
            del changed[at:upto]
        elif kind == 3:
            changed[at:at] = changed[at:upto] * rng.choice((1, 2, 50))
        elif kind == 4 and at < len(changed):
            changed[at] ^= 1 << rng.randrange(8)
        else:
            other = rng.randrange(len(changed) + 1)
            changed[at:upto] = changed[other : other + upto - at]
    return bytes(changed)


def _mutate_part(data: bytes, rng: random.Random) -> bytes:
    """Change one part of a workbook and zip it anew."""
    with zipfile.ZipFile(io.BytesIO(data)) as book:
        parts = {name: book.read(name) for name in book.namelist()}
    name = rng.choice(sorted(parts))
    parts[name] = mutate(parts[name], rng)
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as book:
        for part, held in parts.items():
            book.writestr(part, held)
    return out.getvalue()


def feed(reader: Reader, data: bytes, patience_s: int) -> str:
    """Give one input to a reader; say how it ended: ``read``, ``refused``, or the last line of a traceback."""

    def stop(number: int, frame: FrameType | None) -> None:
        raise TooLongError

    signal.signal(signal.SIGALRM, stop)
    signal.alarm(patience_s)
    try:
        reader(data)
    except DoeError:
        return "refused"
    except TooLongError:
        return f"took longer than {patience_s} seconds"
    except Exception:
        return traceback.format_exc()
    finally:
        signal.alarm(0)
    return "read"


def fuzz(name: str, reader: Reader, good: bytes, asked: argparse.Namespace) -> list[str]:
    """Mutate a good file again and again; print how many were read and refused, give the findings."""
    rng = random.Random(f"{asked.seed} {name}")
    ends: Counter[str] = Counter()
    findings: dict[str, str] = {}
    began, slowest = time.monotonic(), 0.0
    if (end := feed(reader, good, asked.patience)) != "read":
        findings["the good file"] = end
    for _ in range(asked.runs):
        data = mutate(good, rng)
        start = time.monotonic()
        end = feed(reader, data, asked.patience)
        slowest = max(slowest, time.monotonic() - start)
        ends[end if end in ("read", "refused") else "finding"] += 1
        if end not in ("read", "refused"):
            where = "\n".join(end.strip().splitlines()[-3:])
            findings.setdefault(where, _keep(name, data, asked.findings))
    took = time.monotonic() - began
    cells = (name, asked.runs, ends["read"], ends["refused"], ends["finding"], f"{slowest:.1f}", f"{took:.0f}")
    print(f"| {' | '.join(map(str, cells))} |", flush=True)
    return [f"{name}: {kept}\n{where}" for where, kept in findings.items()]


def _keep(name: str, data: bytes, folder: Path) -> str:
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{name}-{hashlib.sha256(data).hexdigest()[:12]}"
    path.write_bytes(data)
    return str(path)


def guided(reader: Reader, good: bytes, asked: argparse.Namespace) -> None:
    """Let atheris look for inputs that reach new branches; it stops at the first finding."""

    def one(data: bytes) -> None:
        end = feed(reader, data, asked.patience)
        if end not in ("read", "refused"):
            raise RuntimeError(end)

    corpus = asked.findings / "corpus"
    corpus.mkdir(parents=True, exist_ok=True)
    (corpus / "good").write_bytes(good)
    most = f"-max_total_time={asked.seconds}" if asked.seconds else f"-runs={asked.runs}"
    arguments = [sys.argv[0], most, f"-seed={asked.seed}", f"-max_len={2 * len(good)}"]
    atheris.Setup([*arguments, f"-artifact_prefix={asked.findings}/", str(corpus)], one)
    atheris.Fuzz()


def command() -> int:
    """Run what was asked for and print the counts."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("names", nargs="*", help="readers; all without any")
    parser.add_argument("--runs", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--patience", type=int, default=20, help="seconds an input may take")
    parser.add_argument("--findings", type=Path, default=Path(tempfile.gettempdir()) / "weldwindow-findings")
    parser.add_argument("--seconds", type=int, default=0, help="with --atheris: instead of --runs")
    parser.add_argument("--atheris", action="store_true", help="guided by coverage; one reader")
    asked = parser.parse_args()
    warnings.simplefilter("ignore")
    findings: list[str] = []
    with tempfile.TemporaryDirectory() as scratch:
        good = make_folder(Path(scratch))
        known = readers(Path(scratch))
        names = asked.names or list(known)
        if asked.atheris:
            guided(known[names[0]], good[names[0]], asked)
            return 0
        print(
            "| reader | inputs | read | refused | findings | slowest (s) | in all (s) |\n|---|---|---|---|---|---|---|"
        )
        for name in names:
            findings += fuzz(name, known[name], good[name], asked)
    print("\n\n".join(findings) or "no finding")
    return int(bool(findings))


if __name__ == "__main__":
    sys.exit(command())
