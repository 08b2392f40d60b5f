"""What a named figure is: its inputs, what it needs of them, where it is from and where it holds."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

from doe.trade.validity import Figure, Source


@dataclass(frozen=True)
class Input:
    """One input of a figure.

    Attributes
    ----------
    name : str
    unit : str
        The unit the figure wants it in; empty for a word.
    words : mapping
        What is accepted as a word, and what each stands for; empty for a number.
    bare : bool
        Whether a number may stand without its unit: only where nothing else can be meant.
    low, high : float
        What can be at all; outside, the input is refused as a slip.
    open_low : bool
        Whether ``low`` itself is refused too.
    usual : str
        The unit it is usually written in; empty: ``unit``.
    """

    name: str
    unit: str = ""
    words: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    bare: bool = True
    low: float = 0.0
    high: float = math.inf
    open_low: bool = False
    usual: str = ""

    @property
    def accepts(self) -> str:
        """What is accepted, in a few words."""
        if self.words:
            return "/".join(dict.fromkeys(self.words.values()))
        return "a share or %" if self.unit == "1" else self.usual or self.unit


@dataclass(frozen=True)
class Given:
    """What a figure is asked with: numbers in its inputs' units, words, and whether a length was stated in inches."""

    numbers: Mapping[str, float]
    words: Mapping[str, str]
    in_inches: bool = False

    def __contains__(self, name: str) -> bool:
        """Whether an input was given."""
        return name in self.numbers or name in self.words


def all_but(*optional: str) -> Callable[[Given, tuple[Input, ...]], tuple[str, ...]]:
    """Ask for every input that is not optional."""
    return lambda _, inputs: tuple(i.name for i in inputs if i.name not in optional)


@dataclass(frozen=True)
class NamedFigure:
    """A figure of the bench.

    Attributes
    ----------
    name : str
    gives : str
        What it is, in a few words, with its unit.
    inputs : tuple of Input
    source : Source
    validity : str
        Where it holds, in words.
    constants : tuple of str
        The constants it rests on, as ``module.NAME``.
    compute : callable
        From ``Given`` to ``Figure``.
    needs : callable
        From what was given to the names that must be.
    instead : tuple of (str, str)
        Two inputs of which one must be given and not both; empty where there are none.
    optional : tuple of str
        Inputs that may be left out, or that only some cases ask for.
    also : tuple of str
        Those of them that take part wherever they are given.
    """

    name: str
    gives: str
    inputs: tuple[Input, ...]
    source: Source
    validity: str
    constants: tuple[str, ...]
    compute: Callable[[Given], Figure]
    needs: Callable[[Given, tuple[Input, ...]], tuple[str, ...]] = field(default_factory=all_but)
    instead: tuple[tuple[str, str], ...] = ()
    optional: tuple[str, ...] = ()
    also: tuple[str, ...] = ()

    @property
    def usage(self) -> str:
        """The inputs as they are listed: optional ones in brackets."""
        pairs = {name: " or ".join(pair) for pair in self.instead for name in pair}
        shown = dict.fromkeys(
            pairs.get(i.name, f"[{i.name}]" if i.name in self.optional else i.name) for i in self.inputs
        )
        return " ".join(shown)

    def idle(self, given: Given) -> tuple[str, ...]:
        """Give the inputs that were given and take no part in this case."""
        taking_part = {*self.needs(given, self.inputs), *self.also}
        return tuple(i.name for i in self.inputs if i.name in given and i.name not in taking_part)

    def missing(self, given: Given) -> tuple[str, ...]:
        """Give the inputs that are still needed."""
        either = {name for pair in self.instead for name in pair}
        single = [name for name in self.needs(given, self.inputs) if name not in given and name not in either]
        pairs = [" or ".join(pair) for pair in self.instead if not any(name in given for name in pair)]
        return (*single, *pairs)

    def clashes(self, given: Given) -> tuple[tuple[str, str], ...]:
        """Give the pairs of which both were given."""
        return tuple(pair for pair in self.instead if all(name in given for name in pair))


def same(*words: str) -> Mapping[str, str]:
    """Accept words that stand for themselves."""
    return MappingProxyType({word: word for word in words})
