"""Read one cell: a quantity, a whole number, yes or no, a word of a list; whatever is changed on the way is noted."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Final

from doe.bench.dates import date_of_fraction
from doe.bench.log import Log, Place
from doe.bench.sheets import SPREADSHEET_ERRORS, Cell
from doe.errors import DoeError, nearest, quoted
from doe.numerals import read_number
from doe.units import Quantity, convert, find_unit, parse_quantity

MISSING: Final = frozenset(
    {"-", "–", "—", "--", "?", "??", "n/a", "na", "n.a.", "nr", "not readable", "not read", "unreadable"}
    | {"not measured", "missing"}
)
"""Ways to write that nothing was read. Our choice; "none" is not among them: it may mean 0."""

YES: Final = frozenset({"yes", "y", "1", "x", "true", "✓", "✔"})
"""Ways to write yes. Our choice."""
NO: Final = frozenset({"no", "n", "0", "false"})
"""Ways to write no. Our choice."""
TRIP_WORDS: Final = {"tripped": True, "trip": True, "held": False, "no trip": False, "not tripped": False}
"""What else may stand in a trip column. Our choice."""
PASS_WORDS: Final = {"pass": True, "passed": True, "ok": True, "fail": False, "failed": False, "not ok": False}
"""What else may stand in a pass column. Our choice."""

METRIC_LENGTHS: Final = ("mm", "cm", "m")
"""Units in which a fraction is unusual: it was more likely of an inch."""

_AT_LEAST: Final = re.compile(r"(?:>=?|≥|over|at least|more than)\s*(?P<rest>.+)|(?P<plus>.+?)\s*\+", re.I | re.S)
_CLOCK: Final = re.compile(r"[0-9]{1,3}:[0-9]{2}(?::[0-9]{2})?(?: ?[ap]m)?", re.I)
_LESS: Final = re.compile(r"(?:<=?|≤|under|below|less than)\s*\S", re.I)


@dataclass(frozen=True)
class Amount:
    """A number that was read.

    Attributes
    ----------
    value : float
        In the study's unit.
    slack : float
        What the digits typed leave open after a conversion, in the study's unit; 0 where nothing was converted.
    is_least : bool
        Whether the cell says "at least this much".
    """

    value: float
    slack: float = 0.0
    is_least: bool = False


@dataclass(frozen=True)
class Units:
    """The unit wanted, and the one the heading gives (empty where it gives none)."""

    wanted: str
    heading: str = ""


class CellReader:
    """Reads the cells of one table.

    Parameters
    ----------
    log : Log
        Where faults and conversions are noted.
    decimal_commas : bool
        Whether the table has decimal commas, so that 1.500 may be a thousand and a half.
    """

    def __init__(self, log: Log, *, decimal_commas: bool) -> None:
        self.log = log
        self.decimal_commas = decimal_commas

    def text(self, cell: Cell, place: Place) -> str:
        """Give the text of a cell, empty where nothing was written; a formula gives its last calculated value."""
        if cell.formula and not cell.text:
            self.log.fault(
                f"the formula {quoted(cell.formula)} was never calculated: open and save the workbook in the "
                "spreadsheet, or type the value",
                place,
            )
            return ""
        if cell.text.upper() in SPREADSHEET_ERRORS or cell.text.startswith("###"):
            self.log.fault(
                f"{quoted(cell.text)} is a spreadsheet's error: type the value, or leave the cell blank", place
            )
            return ""
        if cell.formula:
            self.log.convert(cell.formula, f"{cell.text}, the value last calculated", place)
        return cell.text

    def name(self, cell: Cell, place: Place) -> str:
        """Give the name of a weld, a plate or a block; a date that a spreadsheet made of one is refused."""
        if cell.date:
            self.log.fault(
                f"this cell holds the date {quoted(cell.text)}: format the column as text and type the name again",
                place,
            )
            return ""
        return self.text(cell, place)

    def entry(self, cell: Cell, place: Place) -> str:
        """Give the text of a cell that holds a reading, empty where it says that there is none."""
        text = self.text(cell, place)
        if text.casefold() in MISSING:
            self.log.convert(text, "nothing read", place)
            return ""
        return text

    def quantity(self, cell: Cell, place: Place, units: Units) -> Amount | None:
        """Read a number with or without a unit into the unit wanted; None where there is none or it is refused."""
        text = self.entry(cell, place)
        return self._quantity(text, replace(cell, text=text), place, units) if text else None

    def reading(self, cell: Cell, place: Place, units: Units, *, full: float | None = None) -> Amount | None:
        """Read a measurement, which may say "at least" (``>10 mm``, ``10+``, burn-through)."""
        text = self.entry(cell, place)
        if text.casefold().replace("-", "").replace(" ", "") in {"burnthrough", "burntthrough", "meltthrough"}:
            return self._through(text, place, units, full=full)
        least = _AT_LEAST.fullmatch(text)
        if least is not None:
            rest = least["rest"] or least["plus"]
            amount = self._quantity(rest, Cell(rest), place, units)
            if amount is None:
                return None
            self.log.convert(text, f"at least {amount.value:.6g} {units.wanted}".rstrip(), place)
            return replace(amount, is_least=True)
        if _LESS.match(text):
            self.log.fault(
                f"{quoted(text)} cannot be used: type the reading (no fusion at the root: a minus, by how much it "
                "falls short, or 0 where that cannot be measured), or ? where it is unreadable",
                place,
            )
            return None
        return self._quantity(text, replace(cell, text=text), place, units) if text else None

    def whole(self, cell: Cell, place: Place, *, least: int, what: str) -> int | None:
        """Read a whole number of at least ``least``; ``what`` says what is counted."""
        amount = self.quantity(cell, place, Units(""))
        if amount is None:
            return None
        if amount.value != int(amount.value) or amount.value < least:
            self.log.fault(f"{quoted(cell.text)} is not {what}: whole numbers from {least} are accepted", place)
            return None
        return int(amount.value)

    def yes_no(self, cell: Cell, place: Place, words: Mapping[str, bool]) -> bool | None:
        """Read yes or no, or one of the column's own words for them."""
        text = self.entry(cell, place)
        if not text:
            return None
        plain = " ".join(text.casefold().split())
        answer = {**dict.fromkeys(YES, True), **dict.fromkeys(NO, False), **words}.get(plain)
        if answer is None:
            self.log.fault(f"{quoted(text)} is neither yes nor no: write yes, no, or leave the cell blank", place)
        elif plain not in ("yes", "no"):
            self.log.convert(text, "yes" if answer else "no", place)
        return answer

    def choice(self, cell: Cell, place: Place, known: Iterable[str], what: str) -> int | None:
        """Read a word of a list (a mark, a kind, a status) and give its place in the list."""
        text = self.entry(cell, place)
        if not text:
            return None
        if cell.date:
            self._refuse_date(cell, place)
            return None
        names = list(known)
        place_in_list = find_name(text, names)
        if place_in_list is None:
            near = nearest(text, names)
            hint = f" Did you mean “{near}”?" if near else ""
            self.log.fault(f"{quoted(text)} is no {what}: known are {', '.join(names)}.{hint}", place)
        elif names[place_in_list] != text:
            self.log.convert(text, names[place_in_list], place)
        return place_in_list

    def _quantity(self, text: str, cell: Cell, place: Place, units: Units) -> Amount | None:
        if cell.date or date_of_fraction(text) or _CLOCK.fullmatch(text):
            self._refuse_date(cell, place)
            return None
        if self.decimal_commas and re.match(r"[+-]?[1-9][0-9]{0,2}\.[0-9]{3}(?![0-9.,])", text) and cell.number is None:
            whole, decimals = text[: text.index(".")], text[text.index(".") + 1 :][:3]
            self.log.fault(
                f"{quoted(text)} can be read as {whole},{decimals} (decimal point) or as {whole}{decimals} (point "
                "between thousands), for other cells of this table have decimal commas; write it without the point",
                place,
            )
            return None
        try:
            found = parse_quantity(text) if cell.number is None else Quantity(cell.number)
            source = found.unit or units.heading or units.wanted
            value = convert(found.value, source, units.wanted)
        except DoeError as error:
            self.log.fault(f"{error.message}", place)
            return None
        return self._noted(found, text, place, units, value=value)

    def _noted(self, found: Quantity, text: str, place: Place, units: Units, *, value: float) -> Amount:
        source = found.unit or units.heading or units.wanted
        is_converted = find_unit(source) != find_unit(units.wanted)
        if is_converted or found.note:
            typed = text if found.unit else f"{text} {source}".rstrip()
            self.log.convert(typed, f"{value:.6g} {units.wanted}".rstrip(), place)
        if found.note == "fraction" and not found.unit and find_unit(source).symbol in METRIC_LENGTHS:
            inches = convert(found.value, "in", source)
            self.log.question(
                f"{quoted(text)} is read as {found.value:.4g} {source}. Is it of an inch ({inches:.4g} {source})? "
                "Then write in behind it",
                place,
            )
        if not is_converted:
            return Amount(value)
        return Amount(value, convert(_half_digit(text), source, units.wanted, difference=True))

    def _through(self, text: str, place: Place, units: Units, *, full: float | None) -> Amount | None:
        if full is None:
            self.log.fault(
                f"{quoted(text)} says “at least the thickness”, but the study gives no `full`: write it as >10 mm",
                place,
            )
            return None
        self.log.convert(text, f"at least {full:.6g} {units.wanted}".rstrip(), place)
        return Amount(full, is_least=True)

    def _refuse_date(self, cell: Cell, place: Place) -> None:
        fractions = " or ".join(date_of_fraction(cell.date or cell.text))
        if not fractions:
            self.log.fault(
                f"this cell holds the time {quoted(cell.text)}: write a plain number with its unit, such as 90 s", place
            )
            return
        self.log.fault(
            f"this cell holds the date {quoted(cell.text)}: spreadsheets make dates of fractions. Was it {fractions}? "
            "Format the column as text and type it again, or type it as a decimal",
            place,
        )


def find_name(text: str, names: list[str]) -> int | None:
    """Find a name exactly, then by folded case and blanks, then as a number (a spreadsheet's 3.0 for 3)."""
    if text in names:
        return names.index(text)
    for key in (_folded, _as_number):
        wanted = key(text)
        places = [j for j, name in enumerate(names) if wanted is not None and key(name) == wanted]
        if len(places) == 1:
            return places[0]
    return None


def _folded(text: str) -> str | None:
    return re.sub(r"[\s_\-]+", "", text.casefold())


def _as_number(text: str) -> float | None:
    try:
        return read_number(text)[0]
    except DoeError:
        return None


def _half_digit(text: str) -> float:
    """Half a step of the last digit typed: 0.05 for 21.5; 0 for a fraction, which is exact."""
    if re.search(r"[0-9] ?/ ?[0-9]|[¼-¾⅐-⅞]", text):
        return 0.0
    decimals = re.search(r"[0-9]*[.,]([0-9]+)", text)
    return 0.5 * 10.0 ** -(len(decimals[1]) if decimals else 0)
