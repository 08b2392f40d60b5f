"""``weldwindow figure``."""

from __future__ import annotations

import csv
import sys
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Final

import click

from cli.answer import answers, json_option, note, print_json, say, spare_seed_option

if TYPE_CHECKING:
    from doe.trade.asked import NamedFigure
    from doe.trade.validity import Figure

ALSO_IN: Final = {
    "kJ/mm": ("kJ/in",),
    "mm": ("in",),
    "in": ("mm",),
    "mm/s": ("m/min", "in/min"),
    "kg/h": ("lb/h",),
    "degC": ("degF",),
    "1": ("%",),
}
"""The units a value is printed in besides its own."""
FROM_MEMORY: Final = " (from memory: check the standard before a claim rests on it)"
"""Said where formula, table or edition was not seen."""


@click.command("figure")
@click.argument("name", required=False, metavar="[NAME]")
@click.argument("inputs", nargs=-1, metavar="[INPUT=VALUE]...")
@click.option(
    "--source", "with_source", is_flag=True, help="Print the sources and every constant, seen or from memory."
)
@json_option
@spare_seed_option
@answers
def command(name: str | None, inputs: Sequence[str], with_source: bool, as_json: bool) -> None:
    """Work out one trade figure; without a NAME, list them with inputs, validity and source.

    Inputs carry their unit without a blank; any known unit is read. Outside its range a figure prints no number but
    the bound that is broken, and leaves with exit code 4.

    \b
    Examples:
      weldwindow figure
      weldwindow figure heat-input voltage=18 current=100 travel=250mm/min process=136
      weldwindow figure breaker rating=16A curve=C current=26A
      weldwindow figure undercut-limit standard="ISO 5817" level=C thickness=6mm
      weldwindow figure cooling-time --source
    """
    if name is None:
        _list_figures(as_json=as_json)
        return
    figure = _find(name)
    if with_source and not inputs:
        _only_source(figure, as_json=as_json)
        return
    _answer(figure, inputs, with_source=with_source, as_json=as_json)


def _find(name: str) -> NamedFigure:
    """Find a figure by its name."""
    from doe.errors import DoeError, nearest, quoted
    from doe.trade.figures import FIGURES

    figure = FIGURES.get(name.casefold().replace("_", "-"))
    if figure is None:
        near = nearest(name, FIGURES)
        hint = f" Did you mean {near}?" if near else ""
        message = f"There is no figure {quoted(name)}.{hint} Known are {', '.join(FIGURES)}."
        raise DoeError(message)
    return figure


def _answer(figure: NamedFigure, texts: Sequence[str], *, with_source: bool, as_json: bool) -> None:
    """Work a figure out and print it."""
    from cli.figure_inputs import read_inputs
    from doe.errors import CANNOT_ANSWER

    given, shown = read_inputs(figure, texts)
    found = figure.compute(given)
    if as_json:
        answer = {"schema": 1, "figure": figure.name, **found.to_dict(), "inputs": shown}
        print_json(answer | ({"constants": _constants(figure)} if with_source else {}))
    else:
        _print(figure, found, shown, figure.idle(given))
        if with_source:
            _print_constants(figure)
    if not found.valid:
        sys.exit(CANNOT_ANSWER)


def _print(figure: NamedFigure, found: Figure, shown: Mapping[str, object], unused: Sequence[str]) -> None:
    """Print a figure: the number where there is one, what it was worked out from, notes, source."""
    if found.valid:
        say(_value_lines(figure.name, found))
    else:
        say(f"{figure.name}: no number, the formula or table does not hold here")
    lines = [f"from: {', '.join(_shown(name, value) for name, value in shown.items())}"] if shown else []
    lines += found.notes
    lines += [f"has no part in it: {', '.join(unused)}"] if unused else []
    lines.append(f"source: {found.source}{FROM_MEMORY if found.from_memory else ''}")
    say(f"  {line}" for line in lines)


def _shown(name: str, value: object) -> str:
    """Print one input as it was understood."""
    from doe.report.formatting import exact
    from doe.units import printed_unit

    if not isinstance(value, dict):
        return f"{name} {value}"
    unit = "" if value["unit"] == "1" else printed_unit(value["unit"])
    return f"{name} {exact(value['value'])} {unit}".rstrip()


def _value_lines(name: str, found: Figure) -> list[str]:
    """Print a value with its unit and, where usual, in the other system's."""
    from doe.report.formatting import number
    from doe.units import convert, printed_unit

    unit = "" if found.unit in {"1", "deg"} else f" {printed_unit(found.unit)}"
    if isinstance(found.value, Mapping):
        return [
            f"{name}:",
            *(f"  {key.replace('_', ' ')}: {_part(part, unit, key)}" for key, part in found.value.items()),
        ]
    also = [
        f"{number(convert(found.number, found.unit, other), 4)} {printed_unit(other)}"
        for other in ALSO_IN.get(found.unit, ())
    ]
    aside = f" ({', '.join(also)})" if also else ""
    return [f"{name}: {number(found.number, 4)}{unit}{aside}"]


def _part(part: float | bool | None, unit: str, key: str) -> str:
    """Print one number of a band or a row."""
    from doe.report.formatting import number

    if part is None:
        return "no bound"
    if isinstance(part, bool):
        return "yes" if part else "no"
    return f"{number(part, 4)}{' °' + key if key in {'C', 'F'} and not unit else ' %' if 'percent' in key else unit}"


def _list_figures(*, as_json: bool) -> None:
    """List every figure with what it takes, where it holds and where it is from."""
    from doe.trade.figures import FIGURES

    if as_json:
        print_json({"schema": 1, "figures": [_described(figure) for figure in FIGURES.values()]})
        return
    for figure in FIGURES.values():
        say(f"{figure.name}  {figure.usage}")
        say(f"    {figure.gives}; holds for: {figure.validity}")
        say(f"    source: {figure.source.text}{' (from memory)' if figure.source.from_memory else ''}")
    note("next: weldwindow figure NAME INPUT=VALUE ..., units without a blank: travel=250mm/min")


def _described(figure: NamedFigure) -> dict[str, object]:
    """Describe a figure for ``--json``."""
    return {
        "figure": figure.name,
        "gives": figure.gives,
        "inputs": [
            {
                "name": i.name,
                "unit": i.unit or None,
                "words": list(dict.fromkeys(i.words.values())) or None,
                "optional": i.name in figure.optional,
            }
            for i in figure.inputs
        ],
        "one_of": [list(pair) for pair in figure.instead],
        "validity": figure.validity,
        "source": figure.source.text,
        "from_memory": figure.source.from_memory,
    }


def _only_source(figure: NamedFigure, *, as_json: bool) -> None:
    """Print where a figure is from, without working it out."""
    if as_json:
        print_json({"schema": 1, **_described(figure), "constants": _constants(figure)})
        return
    say(f"{figure.name}  {figure.usage}")
    say(f"  {figure.gives}; holds for: {figure.validity}")
    say(f"  source: {figure.source.text}{FROM_MEMORY if figure.source.from_memory else ''}")
    _print_constants(figure)


def _print_constants(figure: NamedFigure) -> None:
    """Print the constants a figure rests on, one a line."""
    rows = _constants(figure)
    lines = ["constants:" if rows else "constants: none beside the formula's own"]
    lines += [
        f"  {_labelled(r)} = {r['value']} [{r['unit']}] {r['source']}, edition {r['edition']}; {r['known']}; "
        f"{r['validity']}"
        for r in rows
    ]
    say(f"  {line}" for line in lines)


def _labelled(row: Mapping[str, str]) -> str:
    """Say what a constant is, and which row of its table it is where it is one of several."""
    key = row["name"].partition("[")[2].rstrip("]")
    return f"{row['quantity']} ({key})" if key else row["quantity"]


def _constants(figure: NamedFigure) -> list[dict[str, str]]:
    """Give the rows of the shipped table of constants that a figure rests on."""
    from doe.shipped import shipped

    with shipped("trade-constants.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    wanted = figure.constants
    return [row for row in rows if any(f"{row['module']}.{row['name']}".split("[")[0] == name for name in wanted)]
