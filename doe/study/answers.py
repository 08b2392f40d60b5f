"""The eight answers as a person types them, read into ``NewStudy``.

Each function reads one answer and says what is accepted where it cannot.
"""

from __future__ import annotations

import re
from typing import Final

from doe.errors import DoeError
from doe.study.model import LaterWelds
from doe.study.writing import NewStudy
from doe.units import parse_number, parse_quantity

QUESTIONS: Final = {
    "weld": ("What is welded? Joint and thickness", "lap fillet, 10 mm"),
    "wire": ("Which wire?", "1.0 mm gas-shielded cored"),
    "voltage": ("Marks on the voltage dial, low to high (with volts where known: 1=17 2=18.4 ...)", "A B C D"),
    "feed": ("Range of the feed dial (5 to 9 m/min by 0.5; a bare 1 to 10 is fine)", "1 to 10"),
    "supply": ("The supply: volts and breaker", "230 V, 16 A"),
    "plate": ("Welds on a plate, and how the second starts: cooled or warm", "1"),
    "must": ("A good weld must have", "1.2 mm penetration, 2 pores in 100 mm, hold 30 s"),
    "welds": ("How many test welds can you afford?", "18"),
}
"""Key of each question, what is asked, and the answer taken where none is given."""


def read_answers(answers: dict[str, str], *, title: str, preheat: str = "") -> NewStudy:
    """Read the eight answers.

    Parameters
    ----------
    answers : dict of str to str
        One text a key of ``QUESTIONS``.
    title : str
        The study's title.
    preheat : str
        Preheat levels, "20 70 120 degC"; empty where plates are welded as they are.

    Raises
    ------
    DoeError
        At the first answer that cannot be read; the message says what is accepted.
    """
    joint, thickness = read_weld(answers["weld"])
    marks, values = read_marks(answers["voltage"])
    low, high, step, unit = read_range(answers["feed"])
    voltage, breaker = read_supply(answers["supply"])
    per_plate, later = read_plate(answers["plate"])
    depth, pores, per, hold = read_requirements(answers["must"])
    levels, level_unit = read_levels(preheat)
    return NewStudy(
        title=title,
        joint=joint,
        thickness=thickness,
        wire=answers["wire"].strip(),
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
        welds=read_welds(answers["welds"]),
        preheat_levels=levels,
        preheat_unit=level_unit,
        units="us" if parse_quantity(thickness).unit == "in" or unit == "in/min" else "metric",
    )


def read_weld(text: str) -> tuple[str, str]:
    """Read joint and thickness: ``lap fillet, 10 mm``."""
    joint, comma, thickness = text.rpartition(",")
    if not comma or not joint.strip():
        message = f"“{text}” does not name a joint and a thickness; accepted is, say, “lap fillet, 10 mm”"
        raise DoeError(message)
    parse_quantity(thickness)
    return joint.strip(), thickness.strip()


def read_marks(text: str) -> tuple[tuple[str, ...], tuple[float, ...]]:
    """Read the marks of a dial, ``A B C D``, or marks with their volts, ``1=17 2=18.4``."""
    pieces = re.sub(r"\s*=\s*", "=", text).replace(";", " ").replace(", ", " ").split()
    marks = tuple(piece.partition("=")[0] for piece in pieces)
    values = tuple(parse_number(piece.partition("=")[2].removesuffix("V")) for piece in pieces if "=" in piece)
    if len(marks) < 2 or (values and len(values) != len(marks)) or len(set(marks)) != len(marks):
        message = (
            f"“{text}” does not give the dial’s marks; accepted are at least two, each once: “A B C D”, or every one "
            "with its volts: “1=17 2=18.4 3=19.6”"
        )
        raise DoeError(message)
    return marks, values


def read_range(text: str) -> tuple[float, float, float | None, str]:
    """Read a range: ``5 to 9 m/min by 0.5``, ``200 to 350 in/min``, ``1 to 10`` (the dial's own numbers)."""
    match = re.fullmatch(
        r"\s*([\d.,]+)\s*(?:to|-|–|\.\.)\s*([\d.,]+)\s*([a-z]+/[a-z]+)?\s*(?:(?:by|step|,)\s*([\d.,]+))?\s*", text, re.I
    )
    if match is None:
        message = f"“{text}” is not a range; accepted is, say, “5 to 9 m/min by 0.5”, or “1 to 10” for a dial’s numbers"
        raise DoeError(message)
    low, high, unit, step = match.groups()
    read_step = None if step is None else parse_number(step)
    if unit is None and read_step is None:
        read_step = 0.5
    return parse_number(low), parse_number(high), read_step, unit or "mark"


def read_supply(text: str) -> tuple[str, str]:
    """Read volts and breaker: ``230 V, 16 A``; empty or ``?`` where not known."""
    if text.strip().lower() in {"", "?", "-", "not known"}:
        return "", ""
    pieces = [piece for piece in re.split(r"[,;]|\s(?=\d+\s*A\b)", text) if piece.strip()]
    found = {quantity.unit: quantity for quantity in map(parse_quantity, pieces)}
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


def read_requirements(text: str) -> tuple[str, int, str, str]:
    """Read the requirements: ``1.2 mm penetration, 2 pores in 100 mm, hold 30 s``."""
    depth = re.search(r"([\d./ ]*\d\s*(?:mm|in|\"))\s*(?:of\s+)?(?:root\s+)?penetration", text, re.IGNORECASE)
    pores = re.search(r"(\d+|no)\s*pores?\s*(?:in|per)\s*([\d./ ]+\s*(?:mm|in|\"))", text, re.IGNORECASE)
    hold = re.search(r"hold\w*\s*(?:for\s+)?(\d+(?:\.\d+)?\s*(?:s|min))\b", text, re.IGNORECASE)
    if depth is None or pores is None or hold is None:
        message = (
            f"“{text}” does not say what a good weld must meet; accepted is, say, "
            f"“{QUESTIONS['must'][1]}” (any of it can be changed later in study.toml)"
        )
        raise DoeError(message)
    count = 0 if pores[1].lower() == "no" else int(pores[1])
    return depth[1].strip(), count, pores[2].strip(), hold[1].strip()


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
