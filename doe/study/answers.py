"""The eight answers as a person types them, read into ``NewStudy``.

Each function reads one answer and says what is accepted where it cannot.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from types import MappingProxyType
from typing import Any, Final

from doe.errors import DoeError, Fault
from doe.numerals import parse_number
from doe.study.model import LaterWelds
from doe.study.responses import LARGEST_RATIO
from doe.study.writing import NewStudy
from doe.units import parse_quantity, same_dimension

QUESTIONS: Final = {
    "weld": ("What is welded? Joint and thickness", "lap fillet, 10 mm"),
    "wire": ("Which wire?", "1.0 mm gas-shielded cored"),
    "voltage": ("Marks on the voltage dial, low to high (with volts where known: 1=17 2=18.4 ...)", "A B C D"),
    "feed": ("Range of the feed dial (5 to 9 m/min by 0.5; a bare 1 to 10 is fine)", "1 to 10"),
    "supply": ("The supply: volts and breaker, or ? where not known", "230 V, 16 A"),
    "plate": ("Welds on a plate, and how the second starts: cooled or warm", "1"),
    "must": ("What must a good weld have? All or some of these", "1.2 mm penetration, 2 pores in 100 mm, hold 30 s"),
    "welds": ("How many test welds can you afford?", "18"),
}
"""Key of each question, what is asked, and the answer taken where none is given."""

FOLLOW_UPS: Final = {
    "scatter": "  Known from earlier work: how far welds made alike scatter in depth, one standard deviation (0.3 mm)",
    "good_zone": (
        "  Known from experience: the dials towards both ends of which porosity gets worse, with a good zone between "
        "(voltage, feed)"
    ),
    "ratio_under": "  And between the best and the worst corner it differs by less than how many times (at most 10)",
}
"""Key and words of what is asked further within the question on what a good weld must meet; each may be left open."""
IF_NOT_KNOWN: Final = "Leave it empty if you do not know: a wrong answer makes a wrong claim."
"""What stands before the further questions."""
NOT_KNOWN: Final = frozenset(
    {"", "?", "-", "no", "none", "not known", "unknown", "do not know", "don't know", "don’t know"}
)
"""Answers that leave a question open."""


def follow_ups(must: str) -> tuple[str, ...]:
    """Give what is to be asked further where a good weld must meet this: scatter of a depth, experience with pores.

    Examples
    --------
    >>> follow_ups("1.2 mm penetration, hold 30 s")
    ('scatter',)
    """
    depth, pores, *_ = read_requirements(must)
    return (*(("scatter",) if depth else ()), *(("good_zone", "ratio_under") if pores is not None else ()))


def read_answers(answers: dict[str, str], *, title: str, preheat: str = "") -> NewStudy:
    """Read the eight answers.

    Parameters
    ----------
    answers : dict of str to str
        One text a key of ``QUESTIONS``, and of ``FOLLOW_UPS`` where they are known.
    title : str
        The study's title.
    preheat : str
        Preheat levels, "20 70 120 degC"; empty where plates are welded as they are.

    Raises
    ------
    DoeError
        With every answer that cannot be read, and what is accepted.
    """
    read = _each_read(answers, preheat)
    joint, thickness = read["weld"]
    marks, values = read["voltage"]
    low, high, step, unit = read["feed"]
    voltage, breaker = read["supply"]
    per_plate, later = read["plate"]
    depth, pores, per, hold, passes = read["must"]
    levels, level_unit = read["preheat"]
    return NewStudy(
        title=title,
        joint=joint,
        thickness=thickness,
        wire=read["wire"],
        voltage_marks=marks,
        voltage_values=values,
        feed_low=low,
        feed_high=high,
        feed_step=step,
        feed_unit=unit,
        supply_voltage=voltage,
        breaker=breaker,
        welds_per_plate=per_plate,
        later_welds=later,
        penetration_at_least=depth,
        porosity_at_most=pores,
        porosity_per=per,
        hold=hold,
        passes=passes,
        welds=read["welds"],
        preheat_levels=levels,
        preheat_unit=level_unit,
        porosity_ratio_under=read["ratio_under"],
        porosity_good_zone=read["good_zone"],
        expect_scatter=read["scatter"],
        units="us" if parse_quantity(thickness).unit == "in" or unit == "in/min" else "metric",
    )


def _each_read(answers: Mapping[str, str], preheat: str) -> dict[str, Any]:
    """Read every answer before a fault is told, so that all of them are."""
    read: dict[str, Any] = {}
    faults = []
    further = {key: answers.get(key, "") for key in FOLLOW_UPS}
    for key, text in {**{key: answers[key] for key in QUESTIONS}, "preheat": preheat, **further}.items():
        try:
            read[key] = READERS[key](text)
        except DoeError as error:
            faults.append(Fault(error.message, key=key.replace("_", "-")))
    if not faults:
        faults = list(_out_of_place(read, asked=follow_ups(answers["must"])))
    if faults:
        message = f"{len(faults)} of the answers cannot be read:" if len(faults) > 1 else "An answer cannot be read:"
        raise DoeError(message, faults)
    return read


def _out_of_place(read: Mapping[str, Any], *, asked: Sequence[str]) -> Iterator[Fault]:
    """Find further answers to what was not asked, and one of the two on porosity without the other."""
    for key in FOLLOW_UPS:
        if read[key] and key not in asked:
            what = "depth" if key == "scatter" else "porosity"
            text = f"this is given, but no {what} is asked of a good weld; ask for one, or leave this out"
            yield Fault(text, key=key.replace("_", "-"))
    if bool(read["good_zone"]) != bool(read["ratio_under"]):
        text = "good-zone and ratio-under are used together or not at all; give both, or leave both out"
        yield Fault(text, key="ratio-under" if read["good_zone"] else "good-zone")
    elif "preheat" in read["good_zone"] and not read["preheat"][0]:
        yield Fault("preheat is named, but no preheat levels are given", key="good-zone")


def read_weld(text: str) -> tuple[str, str]:
    """Read joint and thickness: ``lap fillet, 10 mm``, or ``tee 1/4 in``."""
    match = re.fullmatch(r"(.*,)\s*([^,]+)|(\D*[^\W\d][\s,]+)(\d\S*(?:\s.*)?)", text.strip())
    joint, thickness = (match[1] or match[3], match[2] or match[4]) if match else ("", "")
    if not joint.strip(" ,"):
        message = f"“{text}” does not name a joint and a thickness; accepted is, say, “lap fillet, 10 mm”"
        raise DoeError(message)
    if not parse_quantity(thickness).unit:
        message = f"“{text}” gives the thickness without a unit; accepted is, say, “lap fillet, 10 mm”"
        raise DoeError(message)
    return joint.strip(" ,"), thickness.strip()


def read_wire(text: str) -> str:
    """Read what the wire is called: any words."""
    return text.strip()


def read_marks(text: str) -> tuple[tuple[str, ...], tuple[float, ...]]:
    """Read the marks of a dial: ``A B C D``, ``1 to 7``, or with their volts, ``1=17 2=18.4``."""
    span = re.fullmatch(r"\s*(\d{1,2}|[A-Za-z])\s*(?:to|-|–|\.\.)\s*(\d{1,2}|[A-Za-z])\s*", text)
    if span is not None:
        return _marks_between(span[1], span[2], text), ()
    pieces = re.sub(r"\s*=\s*", "=", text).replace(";", " ").replace(", ", " ").split()
    marks = tuple(piece.partition("=")[0] for piece in pieces)
    values = tuple(parse_number(piece.partition("=")[2].removesuffix("V")) for piece in pieces if "=" in piece)
    if len(marks) < 2 or (values and len(values) != len(marks)) or len(set(marks)) != len(marks):
        raise _no_marks(text)
    return marks, values


def _marks_between(first: str, last: str, text: str) -> tuple[str, ...]:
    """Count up from one whole number or letter to another."""
    if first.isdigit() and last.isdigit():
        marks = tuple(str(number) for number in range(int(first), int(last) + 1))
    else:
        marks = tuple(chr(code) for code in range(ord(first), ord(last) + 1))
    if len(marks) < 2 or first.isdigit() != last.isdigit() or first.isupper() != last.isupper():
        raise _no_marks(text)
    return marks


def _no_marks(text: str) -> DoeError:
    return DoeError(
        f"“{text}” does not give the dial’s marks; accepted are at least two, each once: “A B C D”, “1 to 7”, or every "
        "one with its volts: “1=17 2=18.4 3=19.6”"
    )


def read_range(text: str) -> tuple[float, float, float | None, str]:
    """Read a range: ``5 to 9 m/min by 0.5``, ``200 to 350 in/min``, ``1 to 10`` (the dial's own numbers)."""
    match = re.fullmatch(
        r"\s*([\d.,]+)\s*(?:to|-|–|\.\.)\s*([\d.,]+)\s*([a-z]+/[a-z]+)?\s*(?:(?:by|step|,)\s*([\d.,]+))?\s*", text, re.I
    )
    if match is None or parse_number(match[1]) >= parse_number(match[2]):
        message = f"“{text}” is not a range; accepted is, say, “5 to 9 m/min by 0.5”, or “1 to 10” for a dial’s numbers"
        raise DoeError(message)
    low, high, unit, step = match.groups()
    read_step = None if step is None else parse_number(step)
    if unit is None and read_step is None:
        read_step = 0.5
    return parse_number(low), parse_number(high), read_step, unit or "mark"


def read_supply(text: str) -> tuple[str, str]:
    """Read volts and breaker: ``230 V, 16 A``; empty or ``?`` where not known."""
    if text.strip().lower() in NOT_KNOWN:
        return "", ""
    pieces = [piece for piece in re.split(r"[,;]|\s(?=\d+\s*A\b)", text) if piece.strip()]
    try:
        found = {quantity.unit: quantity for quantity in map(parse_quantity, pieces)}
    except DoeError:
        found = {}
    if set(found) != {"V", "A"}:
        message = f"“{text}” does not name the supply; accepted is, say, “230 V, 16 A”, or “?” where it is not known"
        raise DoeError(message)
    return f"{found['V'].value:g} V", f"{found['A'].value:g} A"


def read_plate(text: str) -> tuple[int, LaterWelds]:
    """Read welds a plate and how later ones start: ``1``, ``2 cooled``, ``2 warm``."""
    match = re.fullmatch(r"\s*(\d+)\D*?(cool\w*|warm)?\s*", text, re.IGNORECASE)
    if match is None or not 1 <= int(match[1]) <= 8:
        message = (
            f"“{text}” does not say how many welds a plate takes; accepted is “1”, “2 cooled” or “2 warm” (up to 8)"
        )
        raise DoeError(message)
    return int(match[1]), "warm" if (match[2] or "").lower() == "warm" else "cooled"


def read_requirements(text: str) -> tuple[str, int | None, str, str, str]:
    """Read the requirements, all or some of ``1.2 mm penetration, 2 pores in 100 mm, hold 30 s, root fused``.

    Returns
    -------
    depth : str
        Empty where penetration is not asked for.
    pores : int or None
        None where pores are not counted.
    per, hold : str
        The length that the pores are counted over, and how long the supply must hold; empty where not asked for.
    passes : str
        What a weld passes or not, as it was named: "root fused", "break test passed"; empty where not asked for.
    """
    pieces = [piece for piece in re.split(r";|,(?!\d)|\band\b", text) if piece.strip()]
    found: dict[str, re.Match[str]] = {}
    for piece in pieces:
        matches = {key: match for key, wanted in _REQUIREMENTS.items() if (match := wanted.search(piece))}
        if not matches or matches.keys() & found.keys():
            raise _no_requirement(piece.strip())
        found |= matches
    if not found:
        raise _no_requirement(text)
    depth, pores, hold, passes = (found.get(key) for key in _REQUIREMENTS)
    return (
        depth[1].strip() if depth else "",
        (0 if pores[1].lower() == "no" else int(pores[1])) if pores else None,
        pores[2].strip() if pores else "",
        hold[1].strip() if hold else "",
        passes[1] if passes else "",
    )


_REQUIREMENTS: Final = {
    "depth": re.compile(r"([\d.,/ ]*\d\s*(?:mm|in|\"))\s*(?:of\s+)?(?:root\s+)?penetration", re.IGNORECASE),
    "pores": re.compile(r"(\d+|no)\s*pores?\s*(?:in|per)\s*([\d./ ]+\s*(?:mm|in|\"))", re.IGNORECASE),
    "hold": re.compile(r"hold\w*\s*(?:for\s+)?(\d+(?:\.\d+)?\s*(?:s|min))\b", re.IGNORECASE),
    "passes": re.compile(r"^\s*([a-z][a-z -]*\s(?:fused|passed))\s*$", re.IGNORECASE),
}


def _no_requirement(text: str) -> DoeError:
    return DoeError(
        f"“{text}” does not say what a good weld must meet, each once; accepted is all or some of "
        f"“{QUESTIONS['must'][1]}”, or one test that a weld passes or not, such as “root fused” or “break test passed” "
        "(more can be asked for in study.toml)"
    )


def read_welds(text: str) -> int:
    """Read the number of affordable test welds."""
    if not re.fullmatch(r"\s*\d{1,3}\s*", text):
        message = f"“{text}” is not a number of welds; accepted is a whole number such as 18"
        raise DoeError(message)
    return int(text)


def read_levels(text: str) -> tuple[tuple[float, ...], str]:
    """Read preheat levels, ``20 70 120 degC``; none where the text is empty."""
    if not text.strip():
        return (), "degC"
    match = re.fullmatch(r"\s*([-\d.\s,;]*\d)\s*(degC|degF|°C|°F|C|F)?\s*", text)
    if match is None:
        message = f"“{text}” does not give preheat levels; accepted is, say, “20 70 120 degC”"
        raise DoeError(message)
    levels = tuple(parse_number(piece) for piece in re.split(r"[;,\s]+", match[1].strip()))
    return levels, "degF" if (match[2] or "").endswith("F") else "degC"


def read_scatter(text: str) -> str:
    """Read how far welds made alike scatter in depth, ``0.3 mm``; empty where it is not known."""
    if text.strip().lower() in NOT_KNOWN:
        return ""
    scatter = parse_quantity(text)
    if scatter.value <= 0 or not scatter.unit or not same_dimension(scatter.unit, "mm"):
        message = (
            f"“{text}” is not a scatter of depth; accepted is one standard deviation above 0 with its unit, such as "
            "“0.3 mm”; leave it out where it is not known"
        )
        raise DoeError(message)
    return text.strip()


def read_good_zone(text: str) -> tuple[str, ...]:
    """Read the dials with a good zone between their ends, ``voltage, feed``; none where it is not known."""
    if text.strip().lower() in NOT_KNOWN:
        return ()
    names = tuple(name for name in re.split(r"[,;\s]+|\band\b", text.strip().lower()) if name)
    if not names or len(set(names)) < len(names) or not {*names} <= {"voltage", "feed", "preheat"}:
        message = (
            f"“{text}” does not name dials; accepted are voltage, feed and preheat, each once: “voltage, feed”; leave "
            "it out where it is not known"
        )
        raise DoeError(message)
    return names


def read_ratio(text: str) -> float | None:
    """Read by how many times the corners differ at most, ``10`` or ``10 times``; None where it is not known."""
    if text.strip().lower() in NOT_KNOWN:
        return None
    match = re.fullmatch(r"\s*(?:under|less than|<)?\s*(\d[\d.,]*)\s*(?:times)?\s*", text, re.IGNORECASE)
    ratio = parse_number(match[1]) if match else 0.0
    if not 1 < ratio <= LARGEST_RATIO:
        message = (
            f"“{text}” is not accepted; it is a number above 1 and at most {LARGEST_RATIO:g}; where the corners differ "
            "more, or it is not known, leave it out"
        )
        raise DoeError(message)
    return ratio


READERS: Final[Mapping[str, Callable[[str], Any]]] = MappingProxyType(
    {
        "weld": read_weld,
        "wire": read_wire,
        "voltage": read_marks,
        "feed": read_range,
        "supply": read_supply,
        "plate": read_plate,
        "must": read_requirements,
        "welds": read_welds,
        "preheat": read_levels,
        "scatter": read_scatter,
        "good_zone": read_good_zone,
        "ratio_under": read_ratio,
    }
)
"""What reads the answer to each question; each raises a ``DoeError`` that says what is accepted."""
