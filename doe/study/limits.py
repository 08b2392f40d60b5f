"""Limits: linear inequalities in factor names, read by a small grammar of our own.

::

    rule  = side ("<=" | ">=" | "<" | ">") side
    side  = ["+" | "-"] term { ("+" | "-") term }
    term  = part { ["*" | "/"] part }          at most one part is a factor; nothing is divided by a factor
    part  = number | factor name, with or without quotes
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from doe.errors import DoeError, quoted
from doe.numerals import parse_number
from doe.study.factors import entry_key
from doe.study.faults import Faults, Place, did_you_mean
from doe.study.model import Factor, Limit
from doe.study.shape import LimitShape, check_shape

_SIGNS: Final = str.maketrans({"≤": "<=", "≥": ">=", "−": "-", "–": "-", "·": "*", "×": "*", "⁄": "/"})
_COMPARE: Final = re.compile(r"<=|>=|=<|=>|<|>|=")
_NUMBER: Final = re.compile(r"[0-9]+(?:[.,][0-9]+)*(?:[eE][+-]?[0-9]{1,3})?|\.[0-9]+")
_WORD_END: Final = re.compile(r"[*/+<>=()]|\s-")
TOLERANCE: Final = 1e-9
"""Share of the numbers involved that rounding may take: a setting so little beyond a limit is within it. A strict
inequality stays clear of it by a hundred times."""


@dataclass(frozen=True)
class Linear:
    """A linear expression: a constant and a coefficient a factor."""

    constant: float = 0.0
    coefficients: Mapping[str, float] = field(default_factory=dict)

    def plus(self, other: Linear, sign: float) -> Linear:
        """Add another, times a sign."""
        names = dict.fromkeys((*self.coefficients, *other.coefficients))
        summed = {n: self.coefficients.get(n, 0.0) + sign * other.coefficients.get(n, 0.0) for n in names}
        return Linear(self.constant + sign * other.constant, summed)

    def times(self, number: float) -> Linear:
        """Multiply by a number."""
        return Linear(self.constant * number, {n: c * number for n, c in self.coefficients.items()})


def resolve_limits(
    raw: Sequence[object], factors: Sequence[Factor], names: Sequence[str], faults: Faults
) -> tuple[Limit, ...]:
    """Check and resolve every limit; those with faults are left out, their faults noted.

    Parameters
    ----------
    raw : sequence
        The entries of ``[[limit]]``.
    factors : sequence of Factor
        The factors that could be resolved.
    names : sequence of str
        Every factor's name, those with faults included: a limit is not to blame for them.
    faults : Faults
    """
    limits: list[Limit] = []
    for number, entry in enumerate(raw, 1):
        place = faults.at(entry_key("limit", number, None))
        shape = check_shape(LimitShape, entry, place)
        limit = None if shape is None else _resolve(shape, factors, names, place)
        if limit is not None:
            limits.append(limit)
    return tuple(limits)


def _resolve(shape: LimitShape, factors: Sequence[Factor], names: Sequence[str], place: Place) -> Limit | None:
    try:
        expression, is_strict = parse_rule(shape.rule, names)
    except DoeError as error:
        place.add(error.message, "rule")
        return None
    known = {factor.name: factor for factor in factors}
    used = {name: value for name, value in expression.coefficients.items() if value != 0.0}
    kinds = [name for name in used if name in known and known[name].is_kind]
    if kinds:
        place.add(f"{quoted(kinds[0])} is a factor of kinds; a limit takes numeric factors", "rule")
    if kinds or any(name not in known for name in used):
        return None
    scale = abs(expression.constant) + sum(
        abs(value) * max(abs(known[name].low), abs(known[name].high)) for name, value in used.items()
    )
    bound = -expression.constant - (100 * TOLERANCE * scale if is_strict else 0.0)
    return Limit(tuple(used.items()), bound + 0.0, shape.rule.strip(), shape.why.strip())


def parse_rule(rule: str, names: Sequence[str]) -> tuple[Linear, bool]:
    """Read a rule.

    Parameters
    ----------
    rule : str
        Such as ``voltage - 0.9*feed <= 15``.
    names : sequence of str
        The factors that may stand in it.

    Returns
    -------
    expression : Linear
        The rule says that it is at most 0.
    is_strict : bool
        Whether it was written with < or >: then it is below 0.

    Raises
    ------
    DoeError
        If it is not understood.
    """
    text = rule.translate(_SIGNS)
    found = list(_COMPARE.finditer(_blanked(text)))
    if len(found) != 1 or found[0][0] == "=":
        message = (
            f"the rule {quoted(rule)} needs exactly one of <=, >=, < or >, as in “voltage - 0.9*feed <= 15”; "
            "write two limits for a lower and an upper bound"
        )
        raise DoeError(message)
    sides = [_Reader(part, names, rule).side() for part in (text[: found[0].start()], text[found[0].end() :])]
    sign = -1.0 if ">" in found[0][0] else 1.0
    expression = sides[0].plus(sides[1], -1.0).times(sign)
    if not any(expression.coefficients.values()):
        message = f"the rule {quoted(rule)} limits no factor; name at least one of {', '.join(names)}"
        raise DoeError(message)
    if not all(map(math.isfinite, (expression.constant, *expression.coefficients.values()))):
        message = f"the numbers in the rule {quoted(rule)} are too large"
        raise DoeError(message)
    return expression, "=" not in found[0][0]


def _blanked(text: str) -> str:
    """Cover quoted names, which could hold a sign."""
    return re.sub(r"\"[^\"]*\"|'[^']*'", lambda match: "x" * len(match[0]), text)


class _Reader:
    """Reads one side of a rule from left to right."""

    def __init__(self, text: str, names: Sequence[str], rule: str) -> None:
        self.text, self.rule = text, rule
        self.names = sorted(names, key=len, reverse=True)
        self.at = 0

    def side(self) -> Linear:
        """Read terms joined by + and -."""
        total = Linear()
        sign = -1.0 if self._take("+-") == "-" else 1.0
        while True:
            total = total.plus(self._term(), sign)
            joint = self._take("+-")
            if not joint:  # a term takes everything but a sign, so this is the end
                return total
            sign = -1.0 if joint == "-" else 1.0

    def _term(self) -> Linear:
        """Read numbers and at most one factor, multiplied or divided."""
        product = self._part()
        while True:
            joint = self._take("*/")
            if not joint and not self._starts_part():
                return product
            part = self._part()
            if part.coefficients and (product.coefficients or joint == "/"):
                raise DoeError(
                    self._told("a limit is linear: factors are neither multiplied with nor divided by one another")
                )
            if joint == "/" and part.constant == 0.0:
                raise DoeError(self._told("it divides by 0"))
            number = 1 / part.constant if joint == "/" else part.constant
            product = part.times(product.constant) if part.coefficients else product.times(number)

    def _part(self) -> Linear:
        """Read a number or the name of a factor."""
        self._skip()
        name = self._name()
        if name:
            return Linear(0.0, {name: 1.0})
        number = _NUMBER.match(self.text, self.at)
        if number:
            self.at = number.end()
            return Linear(parse_number(number[0]))
        if self.at >= len(self.text):
            raise DoeError(self._told("a number or a factor is missing at its end"))
        if self.text[self.at] in "()":
            raise DoeError(self._told("brackets are not understood; multiply them out"))
        word = _WORD_END.split(self.text[self.at :], maxsplit=1)[0].strip()
        known = f"the factors are {', '.join(self.names)}"
        found = quoted(word or self.text[self.at])
        raise DoeError(self._told(f"{found} is not a factor{did_you_mean(word, self.names)}; {known}"))

    def _name(self) -> str:
        """Take the longest factor name that stands here, with or without quotes."""
        quote = self.text[self.at : self.at + 1] if self.text[self.at : self.at + 1] in {'"', "'"} else ""
        for name in self.names:
            end = self.at + len(quote) + len(name)
            if self.text[self.at : end].casefold() != (quote + name).casefold():
                continue
            if quote and self.text[end : end + 1] == quote:
                self.at = end + 1
                return name
            if not quote and not re.match(r"\w", self.text[end:]):
                self.at = end
                return name
        return ""

    def _starts_part(self) -> bool:
        """Whether something other than a sign follows, as in “0.9 feed”."""
        self._skip()
        return self.at < len(self.text) and self.text[self.at] not in "+-*/"

    def _take(self, signs: str) -> str:
        """Take one of the signs if it stands here."""
        self._skip()
        sign = self.text[self.at : self.at + 1]
        if sign and sign in signs:
            self.at += 1
            return sign
        return ""

    def _skip(self) -> None:
        while self.text[self.at : self.at + 1].isspace():
            self.at += 1

    def _told(self, reason: str) -> str:
        return f"the rule {quoted(self.rule)} is not understood: {reason}"
