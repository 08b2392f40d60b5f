"""Reading study.toml: from the file to a ``Study``, or to every fault at once."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any, Final, cast

from doe.errors import Fault, StudyError, quoted
from doe.loading import read_whole
from doe.study.circumstances import resolve_job, resolve_machine, resolve_supply
from doe.study.factors import resolve_factors
from doe.study.faults import Faults, did_you_mean
from doe.study.feasible import refuse_empty_region
from doe.study.fingerprint import fingerprint
from doe.study.limits import resolve_limits
from doe.study.model import Factor, Response, Study, Units
from doe.study.names import Heading, refuse_same_headings, refuse_twice
from doe.study.responses import resolve_responses
from doe.study.shape import (
    ClaimShape,
    JobShape,
    MachineShape,
    PlanShape,
    ShapeType,
    StudyShape,
    SupplyShape,
    check_shape,
)
from doe.study.wishes import refuse_idle_beads, resolve_claim, resolve_plan

STUDY_FILE: Final = "study.toml"
"""The file's name in the study's folder."""
LARGEST_FILE: Final = 1_000_000
"""A study file may have so many bytes."""
DEEPEST: Final = 6
"""So deeply may tables and lists lie in one another."""
MOST_OF_A_TABLE: Final[Mapping[str, int]] = {"factor": 30, "limit": 50, "response": 60}
"""So many entries may each have."""
SINGLE_TABLES: Final = ("study", "job", "supply", "machine", "plan", "claim")
_LONG_KEY: Final = re.compile(r"""(?<![\w-])(?:(?:[\w-]+|"[^"\n]*"|'[^'\n]*')[ \t]*\.[ \t]*){20}""")
"""Dotted keys of absurd depth, which would keep the TOML reader busy for hours."""
_AT_LINE: Final = re.compile(r"\(at (?:line (\d+), column (\d+)|end of document)\)")


def read_study(path: Path | str) -> Study:
    """Read and check a study.

    Parameters
    ----------
    path : Path or str
        The study's folder, or the study.toml in it.

    Returns
    -------
    Study

    Raises
    ------
    StudyError
        If the file cannot be read or anything in it is wrong; ``faults`` lists everything at once.
    """
    place = Path(path)
    try:
        file = place / STUDY_FILE if place.is_dir() else place
        text = _text_of(file)
    except OSError as error:
        raise _unreadable(place, f"it cannot be read ({error.strerror or error})") from error
    return parse_study(text, folder=file.parent, file_name=file.name)


def _text_of(file: Path) -> str:
    """Read the file's text."""
    if not file.is_file():
        raise _unreadable(file, f"there is no file {file.name} in {file.parent}; “weldwindow new” makes one")
    data = read_whole(file, at_most=LARGEST_FILE)
    if len(data) > LARGEST_FILE:
        raise _unreadable(file, f"it is larger than {LARGEST_FILE} bytes, so it is no study file")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        row = data[: error.start].count(b"\n") + 1
        raise _unreadable(file, "it is not a text in UTF-8; save it again as UTF-8", row=row) from error


def _unreadable(file: Path, reason: str, *, row: int | None = None) -> StudyError:
    name = file.name or str(file)
    return StudyError("There is no study that can be read here.", [Fault(reason, file=name, row=row)])


def parse_study(text: str, *, folder: Path = Path(), file_name: str = STUDY_FILE) -> Study:
    """Check the text of a study file.

    Parameters
    ----------
    text : str
        What stands in the file.
    folder : Path
        The study's folder.
    file_name : str
        How the faults name the file.

    Returns
    -------
    Study

    Raises
    ------
    StudyError
        If anything is wrong; ``faults`` lists everything at once.
    """
    faults = Faults(file_name)
    raw = _load(text, faults)
    study = _resolve(raw, faults, folder)
    faults.raise_if_any()
    return replace(study, fingerprint=fingerprint(study))


def _load(text: str, faults: Faults) -> dict[str, Any]:
    """Read the TOML, refusing what would exhaust the reader."""
    if len(text) > LARGEST_FILE:
        faults.at("").add(f"the text is longer than {LARGEST_FILE} characters, so it is no study file")
    elif _LONG_KEY.search(text):
        faults.at("").add("a key has 20 parts or more; tables do not lie so deep in one another")
    faults.raise_if_any()
    raw: dict[str, Any] = {}
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        faults.found.append(_syntax_fault(str(error), faults.file))
    except RecursionError:
        faults.at("").add("tables or lists lie too deep in one another")
    except ValueError:  # Python refuses to read whole numbers of thousands of digits
        faults.at("").add("a number in the file has thousands of digits")
    if _depth_exceeds(raw, DEEPEST):
        faults.at("").add(f"tables or lists lie more than {DEEPEST} deep in one another")
    faults.raise_if_any()
    return raw


def _syntax_fault(message: str, file: str) -> Fault:
    """Say where the file stops being TOML."""
    at = _AT_LINE.search(message)
    reason = quoted(_AT_LINE.sub("", message).strip(), longest=200).strip("“”")
    row = int(at[1]) if at and at[1] else None
    twice = any(word in message for word in ("immutable", "twice", "overwrite", "Cannot redefine"))
    hint = (
        "It stands in the file already; add to it there, in the form it is written in (plan.welds = 18 and a [plan] "
        "table, or factor = [...] and [[factor]], do not go together)"
        if twice
        else "A text stands in quotes, a list in square brackets, each key once and on a line of its own"
    )
    where = f" at column {at[2]}" if at and row else " at the end of the file" if at else ""
    return Fault(
        f"this is not TOML{where}: {reason}. {hint}",
        file=file,
        row=row,
    )


def _depth_exceeds(raw: object, deepest: int) -> bool:
    """Whether anything lies deeper than so many tables or lists; without recursion."""
    level: list[object] = [raw]
    for _ in range(deepest):
        level = [inner for outer in level for inner in _inside(outer)]
    return any(isinstance(entry, dict | list) for entry in level)


def _inside(value: object) -> Iterator[object]:
    if isinstance(value, dict):
        yield from value.values()
    elif isinstance(value, list):
        yield from value


def _resolve(raw: Mapping[str, Any], faults: Faults, folder: Path) -> Study:
    """Resolve table after table, noting every fault."""
    _refuse_unknown_tables(raw, faults)
    head = _table(StudyShape, raw, "study", faults) or StudyShape()
    if "study" not in raw:
        faults.at("").add('there is no [study] table; begin the file with [study] and a title = "..." in it')
    job = resolve_job(_table(JobShape, raw, "job", faults) or JobShape(), faults.at("job"))
    supply = resolve_supply(_table(SupplyShape, raw, "supply", faults) or SupplyShape(), faults.at("supply"))
    machine = resolve_machine(_table(MachineShape, raw, "machine", faults) or MachineShape(), faults.at("machine"))
    entries = {table: _entries(raw, table, faults) for table in MOST_OF_A_TABLE}
    factors = resolve_factors(entries["factor"], faults)
    names = tuple(name for name in _names(entries["factor"]) if name)
    for table in ("factor", "response"):
        refuse_twice(table, _names(entries[table]), faults)
    limits = resolve_limits(entries["limit"], factors, names, faults)
    responses = resolve_responses(entries["response"], factors, names, faults)
    plan = _table(PlanShape, raw, "plan", faults) or PlanShape()
    claim = _table(ClaimShape, raw, "claim", faults) or ClaimShape()
    refuse_empty_region(factors, limits, faults)
    complete = len(factors) == len(entries["factor"]) > 0
    study = Study(
        title=" ".join(head.title.split()) or folder.name or "Study",
        units=cast("Units", head.units),
        factors=factors,
        responses=responses,
        limits=limits,
        job=job,
        supply=supply,
        machine=machine,
        plan=resolve_plan(plan, factors, complete=complete, place=faults.at("plan")),
        claim=resolve_claim(claim, faults.at("claim")),
        folder=folder,
    )
    if len(responses) == len(entries["response"]):
        refuse_idle_beads(study.plan, responses, faults.at("plan"))
    refuse_same_headings(_headings(study), faults)
    return study


def _refuse_unknown_tables(raw: Mapping[str, Any], faults: Faults) -> None:
    known = (*SINGLE_TABLES, *MOST_OF_A_TABLE)
    unknown = [key for key in raw if key not in known]
    for key in unknown[:20]:
        accepted = ", ".join([f"[{table}]" for table in SINGLE_TABLES] + [f"[[{table}]]" for table in MOST_OF_A_TABLE])
        faults.at(quoted(key).strip("“”")).add(
            f"{quoted(key)} is not known{did_you_mean(key, known)}; accepted are {accepted}"
        )
    if len(unknown) > 20:
        faults.at("").add(f"and {len(unknown) - 20} more unknown keys")


def _table(shape: type[ShapeType], raw: Mapping[str, Any], key: str, faults: Faults) -> ShapeType | None:
    """Check one table, where it is given."""
    return check_shape(shape, raw[key], faults.at(key)) if key in raw else None


def _entries(raw: Mapping[str, Any], table: str, faults: Faults) -> Sequence[object]:
    """Give the entries of ``[[table]]``."""
    place = faults.at(table)
    entries = raw.get(table, [])
    if not isinstance(entries, list):
        place.add(f"write [[{table}]] with two brackets on either side: there can be several")
        return ()
    if not entries and table != "limit":
        place.add(f"there is no [[{table}]]; at least one is needed")
    if len(entries) > MOST_OF_A_TABLE[table]:
        place.add(f"{len(entries)} entries are too many; {MOST_OF_A_TABLE[table]} are accepted")
        return ()
    return entries


def _names(entries: Sequence[object]) -> tuple[str, ...]:
    """Give the name of each entry, those with faults included; empty where it has none."""
    names = [entry.get("name") if isinstance(entry, dict) else None for entry in entries]
    return tuple(name.strip() if isinstance(name, str) else "" for name in names)


def _headings(study: Study) -> Iterator[Heading]:
    """Give every heading that the tables will have on account of a factor, a response or the blocks."""
    for factor in study.factors:
        for end in _factor_columns(factor):
            yield Heading(factor.name + end, f'factor "{factor.name}"')
    for response in study.responses:
        for end in _response_columns(response):
            yield Heading(response.name + end, f'response "{response.name}"')
    if study.plan.blocks:
        yield Heading(study.plan.blocks.name, "plan.blocks")


def _factor_columns(factor: Factor) -> tuple[str, ...]:
    return ("", " mark", " actual") if factor.marks else ("", " actual")


def _response_columns(response: Response) -> tuple[str, ...]:
    by_kind = {
        "measure": ("", " full", " 2", " 3", " 4"),
        "count": ("", " length"),
        "trip": ("", " time"),
        "pass": ("",),
    }
    return by_kind[response.kind]
