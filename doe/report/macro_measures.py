"""What the macro page measures on a section: the points that are clicked, and each measure in words.

The definitions are ours, in the trade's words; ``templates/macro_geometry.js`` works them out. Legs and throat are
those of a fillet as ISO 2553 and AWS A3.0 draw them (from memory); past which line root penetration counts is our
choice, stated with every figure, because usage differs.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from doe.study.model import Response
from doe.units import same_dimension


@dataclass(frozen=True)
class Point:
    """A point to click: its id in the geometry, the letter in the figure, its name, and where it lies."""

    id: str
    letter: str
    label: str
    where: str


@dataclass(frozen=True)
class Joint:
    """A kind of joint.

    Attributes
    ----------
    id, label : str
    formula : {"fillet", "butt", "bead"}
        The function of the geometry that works it out.
    points : tuple of Point
    measures : mapping of str to str
        Measure to its definition, in the order of the table.
    surface : str
        What is clicked for an undercut besides the bottom of its groove.
    """

    id: str
    label: str
    formula: str
    points: tuple[Point, ...]
    measures: Mapping[str, str]
    surface: str


LABELS: Final[Mapping[str, str]] = {
    "penetration": "root penetration",
    "legA": "leg A",
    "legB": "leg B",
    "shorterLeg": "shorter leg",
    "throat": "throat",
    "width": "face width",
    "height": "face height",
    "undercut": "undercut",
    "pores": "pores",
    "poreSum": "pore diameters",
    "poreLargest": "largest pore",
}
"""Every measure's name; ``pores`` is a count, the others are lengths."""

_COMMON: Final[Mapping[str, str]] = {
    "undercut": "The deepest groove beside the toes, square to the sound surface of the plate.",
    "pores": "How many outlines were drawn.",
    "poreSum": "Their diameters added up. A pore’s diameter is the greatest distance across its outline.",
    "poreLargest": "The greatest of these diameters.",
}


def _fillet(identity: str, label: str, *, root: str, a: str, b: str) -> Joint:
    points = (
        Point("root", "R", "root", f"{root}. With a gap: where the lines of the two surfaces meet."),
        Point("toeA", "A", "toe on A", f"Where the face of the weld meets plate A, {a}."),
        Point("toeB", "B", "toe on B", f"Where the face of the weld meets plate B, {b}."),
        Point("face", "F", "face", "The point of the face that is nearest to the root."),
        Point(
            "deepest", "D", "deepest fusion", "The fused point that lies farthest past the root, away from the face."
        ),
    )
    measures = {
        "penetration": "How far D lies past R, along the line that halves the angle between the plates. Below 0: "
        "fusion stops short of the root.",
        "legA": "From R to A.",
        "legB": "From R to B.",
        "shorterLeg": "The shorter of the two.",
        "throat": "From R square to the line between the toes; where the face is hollow, from R to F. Neither "
        "convexity nor penetration is in it.",
        **_COMMON,
    }
    surface = "a point of the sound surface beyond the groove (the root is the other)"
    return Joint(identity, label, "fillet", points, measures, surface)


_TOES: Final = (
    Point("toeA", "A", "toe on A", "Where the face of the weld meets the left plate’s surface."),
    Point("toeB", "B", "toe on B", "Where the face of the weld meets the right plate’s surface."),
    Point("face", "F", "top of the face", "The highest point of the face; the lowest where the face is hollow."),
)
_DEEPEST: Final = Point("deepest", "D", "deepest fusion", "The fused point that lies deepest below the surface.")
_FACE: Final[Mapping[str, str]] = {
    "width": "From A to B.",
    "height": "How far F stands over the line from A to B. Below 0: the face is hollow.",
}
_SURFACE: Final = "two points of the sound surface of the plates, one each side of the groove"

JOINTS: Final = (
    _fillet(
        "tee",
        "T joint, fillet",
        root="The corner where the two surfaces met before welding",
        a="the upright one",
        b="the one that runs through",
    ),
    _fillet(
        "lap",
        "lap joint, fillet",
        root="The corner where the edge of the upper plate met the surface of the lower one",
        a="the edge of the upper one",
        b="the surface of the lower one",
    ),
    Joint(
        "butt",
        "butt joint",
        "butt",
        (
            *_TOES,
            Point(
                "root",
                "R",
                "root",
                "The bottom of the groove before welding; of a square butt, its edge at the surface.",
            ),
            _DEEPEST,
        ),
        {
            "penetration": "How far D lies below R, square to the line from A to B. Below 0: fusion stops short of the "
            "root.",
            "throat": "How far D lies below the line from A to B; what stands over it is not in it.",
            **_FACE,
            **_COMMON,
        },
        _SURFACE,
    ),
    Joint(
        "bead",
        "bead on plate",
        "bead",
        (*_TOES, _DEEPEST),
        {"penetration": "How far D lies below the line from A to B.", **_FACE, **_COMMON},
        _SURFACE,
    ),
)
"""The joints that can be measured."""


def likely_joint(words: str) -> str:
    """Tell which joint the words of a study's job speak of; a T joint where they do not say.

    Examples
    --------
    >>> likely_joint("lap fillet"), likely_joint("square butt"), likely_joint("")
    ('lap', 'butt', 'tee')
    """
    plain = words.casefold()
    found = [joint.id for joint in JOINTS if joint.id != "tee" and joint.id in plain.replace("bead on", "bead")]
    return found[0] if found else "tee"


_GUESSES: Final = (
    ("undercut", "undercut"),
    ("throat", "throat"),
    ("leg", "shorterLeg"),
    ("largest pore", "poreLargest"),
    ("pore diameters", "poreSum"),
    ("width", "width"),
    ("penetration", "penetration"),
    ("fusion", "penetration"),
)


def likely_measure(response: Response) -> str:
    """Tell which measure a response is, by its name; empty where the name does not say or it is no length."""
    if response.kind != "measure" or not is_length(response):
        return ""
    name = response.name.casefold()
    return next((measure for words, measure in _GUESSES if words in name), "")


def is_length(response: Response) -> bool:
    """Whether a response can be measured on a section."""
    return response.kind == "measure" and bool(response.unit) and same_dimension(response.unit, "mm")
