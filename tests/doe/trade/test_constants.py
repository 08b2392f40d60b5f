"""The table of constants that is shipped says what the code has, and the other way round."""

from __future__ import annotations

import ast
import csv
import dataclasses
import importlib
import json
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

import pytest

import doe.trade
from doe.shipped import shipped
from doe.trade.figures import FIGURES

ROOM = Path(doe.trade.__file__).parent
REGISTRY = {
    "asked",
    "inputs",
    "figures",
    "heat_figures",
    "supply_figures",
    "wire_figures",
    "limit_figures",
    "processes",
}
KNOWN = {"seen", "from memory", "exact", "our choice"}


def rows() -> list[dict[str, str]]:
    with shipped("trade-constants.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def as_plain(value: Any) -> Any:
    """What the table writes for a constant; None where it is no number."""
    if isinstance(value, int | float) and not isinstance(value, bool):
        return value
    if isinstance(value, tuple) and value and all(isinstance(v, int | float) for v in value):
        return list(value)
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        fields = {k: v for k, v in dataclasses.asdict(value).items() if k != "seen"}
        if not any(isinstance(v, str | bool) for v in fields.values()):
            return [list(v) if isinstance(v, tuple) else v for v in fields.values()]
    return None


def constants() -> Iterator[tuple[str, str, Any, bool | None, str]]:
    """Every numeric constant: module, name, plain value, whether it was seen where it says so itself, its docstring."""
    for path in sorted(ROOM.glob("*.py")):
        if path.stem in REGISTRY or path.stem == "__init__":
            continue
        module = importlib.import_module(f"doe.trade.{path.stem}")
        body = ast.parse(path.read_text(encoding="utf-8")).body
        for node, after in zip(body, [*body[1:], None], strict=True):
            if not isinstance(node, ast.AnnAssign) or not isinstance(node.target, ast.Name):
                continue
            name, value = node.target.id, getattr(module, node.target.id)
            is_text = isinstance(after, ast.Expr) and isinstance(after.value, ast.Constant)
            text = " ".join(str(after.value.value).split()) if is_text else ""  # type: ignore[union-attr]
            items = value.items() if isinstance(value, Mapping) else [(None, value)]
            for key, item in items:
                plain = as_plain(item)
                if plain is not None and not name.startswith("_"):
                    yield path.stem, name if key is None else f"{name}[{key}]", plain, getattr(item, "seen", None), text


def test_the_table_and_the_code_have_the_same_constants_and_values():
    in_code = {(module, name): value for module, name, value, *_ in constants()}
    in_table = {(row["module"], row["name"]): json.loads(row["value"]) for row in rows()}
    assert len(in_table) == len(rows())
    assert in_table == in_code


def test_the_table_says_seen_where_the_code_says_seen():
    known = {(row["module"], row["name"]): row["known"] for row in rows()}
    for module, name, _, seen, text in constants():
        mark = known[module, name]
        if seen is not None:
            assert mark == ("seen" if seen else "from memory"), name
        elif not name.startswith("K_BY_PROCESS"):
            assert ("from memory" in text) == (mark == "from memory"), name
            assert ("Seen" in text) == (mark == "seen"), name
            assert ("ur choice" in text) >= (mark == "our choice"), name


def test_the_thermal_efficiencies_that_were_seen_are_those_of_the_facts():
    seen = {row["name"][13:-1] for row in rows() if row["name"].startswith("K_BY_PROCESS") and row["known"] == "seen"}
    assert seen == {"111", "121", "135", "136", "138", "141"}


@pytest.mark.parametrize("row", rows(), ids=lambda row: f"{row['module']}.{row['name']}")
def test_every_row_is_complete(row: dict[str, str]):
    assert all(row.values())
    assert row["known"] in KNOWN


def test_every_public_constant_has_a_docstring_with_unit_and_source():
    for module, name, _, _, text in constants():
        assert "[" in text, f"{module}.{name}"
        assert "]" in text, f"{module}.{name}"
        assert len(text) > 40, f"{module}.{name}"


def test_the_constants_a_figure_names_are_in_the_table():
    known = {f"{row['module']}.{row['name'].split('[')[0]}" for row in rows()}
    for figure in FIGURES.values():
        assert set(figure.constants) <= known, figure.name


def test_every_constant_of_the_trade_belongs_to_a_figure_or_is_for_the_library_alone():
    used = {name for figure in FIGURES.values() for name in figure.constants}
    library = {"hydrogen", "dials", "validity"}
    alone = {
        "arc.JACKSON_CURRENT_POWER", "arc.JACKSON_VOLTAGE_POWER", "arc.JACKSON_TRAVEL_POWER", "arc.JACKSON_ROOT",
        "aws_d11.UNDERSIZE_LEG_MM", "aws_d11.UNDERSIZE_MM", "aws_d11.UNDERSIZE_LEG_IN", "aws_d11.UNDERSIZE_IN",
        "aws_d11.UNDERSIZE_SHARE", "aws_d11.SHORT_LENGTH_MM", "burn_off.LEAST_READINGS", "burn_off.MOST_ALIKE",
        "cord.M_PER_1000_FT", "cord.SHOWN_SUPPLIES_V", "iso_5817.NOT_PERMITTED", "iso_5817.LACK_OF_FUSION",
        "iso_5817.THROAT_SHORTFALL", "iso_5817.ROOT_GAP", "iso_5817.SHORT_MM", "iso_5817.SHORT_PER_MM",
        "iso_5817.SHORT_SHARE",
    }  # fmt: skip
    every = {f"{module}.{name.split('[')[0]}" for module, name, *_ in constants() if module not in library}
    assert every - used == alone
