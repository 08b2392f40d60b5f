"""Check welds against a published acceptance table: read what is wanted, print what was found."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from cli.answer import say

if TYPE_CHECKING:
    from doe.bench.code_check import WeldVerdicts
    from doe.study.model import Study
    from doe.trade.macro import Wanted


def read_wanted(study: Study, *, code: str, level: str, leg: str) -> Wanted:
    """Read which table, level and leg the welds are to be checked by.

    Raises
    ------
    DoeError
        Listing every fault.
    """
    from doe.errors import DoeError, Fault, nearest, quoted
    from doe.trade.acceptance import AWS, ISO, STANDARD_NAMES
    from doe.trade.iso_5817 import LEVELS
    from doe.trade.macro import Wanted
    from doe.units import parse_quantity, read_in_unit

    faults = []
    standard = {name.casefold(): known for name, known in STANDARD_NAMES.items()}.get(code.strip().casefold(), "")
    if not standard:
        near = nearest(code, STANDARD_NAMES)
        hint = f"; did you mean {near}?" if near else ""
        faults.append(Fault(f"{quoted(code)} is not held{hint}; held are {ISO} and {AWS}", key="--code"))
    if standard == ISO and level.upper() not in LEVELS:
        faults.append(Fault(f"{ISO} needs a quality level: {', '.join(LEVELS)}", key="--level"))
    if standard == AWS and level:
        faults.append(Fault(f"{AWS} has no quality levels; leave it out", key="--level"))
    size = 0.0
    try:
        if not parse_quantity(leg).unit:
            faults.append(Fault("give the specified leg with its unit, such as 6mm", key="--leg"))
        else:
            size = float(read_in_unit(leg, "mm")[0])
    except DoeError as error:
        faults.append(Fault(error.message if leg else "give the specified leg, such as 6mm", key="--leg"))
    if study.job.thickness_mm is None:
        faults.append(Fault("state the thickness of the thinner part under [job]", "study.toml", key="job.thickness"))
    if not faults and size <= 0.0:
        faults.append(Fault(f"{quoted(leg)} is not above 0", key="--leg"))
    if faults or study.job.thickness_mm is None:
        message = "The welds cannot be checked against a table yet."
        raise DoeError(message, faults)
    return Wanted(standard, size, study.job.thickness_mm, level.upper())


def print_verdicts(found: Sequence[WeldVerdicts], wanted: Wanted) -> None:
    """Print each weld's verdicts, the sources, and what such a check is not."""
    from doe.bench.code_check import HEADINGS
    from doe.trade.acceptance import COUPON

    level = f", level {wanted.level}" if wanted.level else ""
    say(
        f"Against {wanted.standard}{level}, specified leg {wanted.leg_mm:.4g} mm, thickness "
        f"{wanted.thickness_mm:.4g} mm:"
    )
    if not found:
        names = ", ".join(words[0] for key, words in HEADINGS.items() if key not in {"pores_length", "places"})
        say(f"  no weld has a reading that the table speaks of; columns that are understood: {names}")
    for words in dict.fromkeys(weld.words for weld in found):
        say(f"  {', '.join(weld.weld for weld in found if weld.words == words)}: {words}")
    sources = {(v.source, v.from_memory) for weld in found for v in weld.verdicts}
    say(f"  source: {text}{' (from memory: check the standard)' if m else ''}" for text, m in sorted(sources))
    say(f"  {COUPON[:1].upper()}{COUPON[1:]}.")
