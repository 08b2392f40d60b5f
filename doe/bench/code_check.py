"""Each weld's readings against a published acceptance table: passes, fails, cannot be judged.

The readings are found by their headings: responses and further columns of the results alike. Pores count only where
they were seen on the surface; what a section shows is another thing, and the visual tables do not judge it.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from typing import Final

import numpy as np

from doe.bench.columns import fold
from doe.bench.results import Counts, Measurement, Passes, Results
from doe.errors import DoeError, Fault, ResultsError, quoted
from doe.trade.macro import Macro, Outcome, PoreClass, Pores, Verdict, Wanted, check_macro
from doe.units import convert, is_unit, read_in_unit, same_dimension

HEADINGS: Final = {
    "leg1_mm": ("leg A", "leg 1"),
    "leg2_mm": ("leg B", "leg 2"),
    "throat_mm": ("throat",),
    "convexity_mm": ("convexity",),
    "face_width_mm": ("face width",),
    "undercut_mm": ("undercut",),
    "undercut_over_1_mm": ("undercut length",),
    "root_fused": ("root fused", "root fusion"),
    "cracked": ("crack", "cracks"),
    "pores": ("surface pores",),
    "pores_length": ("surface pores length",),
    "diameters": ("surface pore diameters",),
    "places": ("surface pore places",),
    "penetration": ("penetration", "root penetration"),
}
"""What each reading may be headed by; units stand behind in brackets. Our choice."""
_CLASS: Final = re.compile(r"surface pores (\d+(?:[.,]\d+)?) to (\d+(?:[.,]\d+)?) mm", re.IGNORECASE)
"""A column that counts pores of one class of diameters."""
NOT_MEASURED: Final = "was not measured"
"""How the reason of a check ends that lacks its reading."""
YES: Final = frozenset({"yes", "y", "true", "1", "x"})
NO: Final = frozenset({"no", "n", "false", "0"})


@dataclass(frozen=True)
class WeldVerdicts:
    """What a table says of one weld."""

    weld: str
    verdicts: tuple[Verdict, ...]

    def of(self, outcome: Outcome) -> tuple[Verdict, ...]:
        """Give the checks with one outcome."""
        return tuple(verdict for verdict in self.verdicts if verdict.outcome == outcome)

    @property
    def words(self) -> str:
        """The verdicts in one line: what fails and why first, then what passes, then what cannot be judged and why."""
        parts = [f"fails {v.check} ({v.reason})" for v in self.of("fails")]
        if passed := self.of("passes"):
            parts.append(f"passes {', '.join(v.check for v in passed)}")
        unknown = self.of("cannot be judged")
        if why := [f"{v.check} ({v.reason})" for v in unknown if not v.reason.endswith(NOT_MEASURED)]:
            parts.append(f"cannot be judged: {', '.join(why)}")
        if bare := [v.check for v in unknown if v.reason.endswith(NOT_MEASURED)]:
            parts.append(f"cannot be judged, not measured: {', '.join(bare)}")
        return "; ".join(parts)

    def to_dict(self) -> dict[str, object]:
        """Give what ``check --json`` prints."""
        return {"weld": self.weld, "checks": [asdict(verdict) for verdict in self.verdicts]}


def check_welds(results: Results, wanted: Wanted) -> tuple[WeldVerdicts, ...]:
    """Check every weld that was made against a table.

    Parameters
    ----------
    results : Results
    wanted : Wanted
        Standard, level, specified leg, thickness.

    Returns
    -------
    tuple of WeldVerdicts
        One a weld with any of the readings.

    Raises
    ------
    ResultsError
        If a cell cannot be read; every one is named.
    """
    columns = _Columns(results)
    found = [
        WeldVerdicts(results.weld[i], check_macro(macro, wanted))
        for i in range(results.n_welds)
        if results.status[i] not in ("not run", "scrapped") and (macro := columns.macro(i)) != Macro()
    ]
    if columns.faults:
        message = "The readings cannot be checked as they stand."
        raise ResultsError(message, columns.faults)
    return tuple(found)


class _Columns:
    """Reads the columns by their headings, noting what cannot be read."""

    def __init__(self, results: Results) -> None:
        self.results = results
        self.faults: list[Fault] = []
        self.remarks = {fold(heading.partition("[")[0].strip()): heading for heading in results.remarks}

    def macro(self, i: int) -> Macro:
        """Give what was measured of one weld."""
        fused = self._yes(i, "root_fused")
        return Macro(
            leg1_mm=self._length(i, "leg1_mm", smallest=True),
            leg2_mm=self._length(i, "leg2_mm", smallest=True),
            throat_mm=self._length(i, "throat_mm", smallest=True),
            convexity_mm=self._length(i, "convexity_mm"),
            face_width_mm=self._length(i, "face_width_mm", smallest=True),
            undercut_mm=self._length(i, "undercut_mm"),
            undercut_over_1_mm=self._length(i, "undercut_over_1_mm"),
            root_fused=self._fused_by_depth(i) if fused is None else fused,
            cracked=self._yes(i, "cracked"),
            pores=self._pores(i),
        )

    def _response(self, key: str) -> str:
        """Give the response that a reading is headed by; empty where none is."""
        known = {fold(response.name): response.name for response in self.results.study.responses}
        return next((known[fold(words)] for words in HEADINGS[key] if fold(words) in known), "")

    def _text(self, i: int, key: str) -> tuple[str, str]:
        """Give a further column's cell and heading; empty where there is none."""
        for words in HEADINGS[key]:
            heading = self.remarks.get(fold(words))
            if heading is not None and self.results.remarks[heading][i].strip():
                return self.results.remarks[heading][i].strip(), heading
        return "", ""

    def _length(self, i: int, key: str, *, smallest: bool = False) -> float | None:
        """Read a length in mm: the worst of a weld's cuts, or the cell of a further column."""
        response = self._response(key)
        reading = self.results.readings.get(response)
        if isinstance(reading, Measurement):
            unit = self.results.study.response(response).unit
            values = reading.values[i][np.isfinite(reading.values[i])]
            if not len(values) or not unit or not same_dimension(unit, "mm"):
                return None
            return float(convert(float(values.min() if smallest else values.max()), unit, "mm"))
        text, heading = self._text(i, key)
        return self._number(i, text, heading) if text else None

    def _number(self, i: int, text: str, heading: str) -> float | None:
        unit = heading.partition("[")[2].strip(" ]")
        try:
            return float(read_in_unit(text, "mm", default=unit if unit and is_unit(unit) else "mm")[0])
        except DoeError as error:
            self._fault(i, heading, error.message)
            return None

    def _fault(self, i: int, heading: str, message: str) -> None:
        row = int(self.results.row[i]) or None
        self.faults.append(Fault(f"{self.results.weld[i]}: {message}", self.results.file[i], row, heading))

    def _yes(self, i: int, key: str) -> bool | None:
        """Read yes or no, as a response or a further column."""
        reading = self.results.readings.get(self._response(key))
        if isinstance(reading, Passes):
            return bool(reading.passed[i]) if np.isfinite(reading.passed[i]) else None
        text, heading = self._text(i, key)
        if not text:
            return None
        if text.casefold() not in YES | NO:
            self._fault(i, heading, f"{quoted(text)} is neither yes nor no")
        return text.casefold() in YES

    def _fused_by_depth(self, i: int) -> bool | None:
        """Tell fusion at the root from a depth past the root: 0 may be just fused or not, so it tells nothing."""
        depth = self._length(i, "penetration", smallest=True)
        return None if depth is None or depth == 0.0 else depth > 0.0

    def _pores(self, i: int) -> Pores | None:
        """Read what is known of the surface pores."""
        classes = tuple(self._classes(i))
        texts = {key: self._text(i, key) for key in ("pores", "pores_length", "diameters", "places")}
        count, length = self._count(i, *texts["pores"])
        if texts["pores_length"][0]:
            length = self._number(i, *texts["pores_length"]) or length
        if length is None:
            length = self.results.study.job.weld_length_mm
        diameters, places = (self._list(i, *texts[key]) for key in ("diameters", "places"))
        if count is None and not classes and diameters is None:
            return None
        if diameters is not None and places is not None and len(places) != len(diameters):
            self._fault(i, texts["places"][1], f"{len(diameters)} diameters and {len(places)} places: give one each")
            places = None
        if length is None:
            self._fault(i, texts["pores"][1] or "surface pores", "how many millimetres were looked at is not known")
            return None
        return Pores(length, count, diameters, places, classes or None)

    def _count(self, i: int, text: str, heading: str) -> tuple[int | None, float | None]:
        """Read a count, and its inspected length where it is a response."""
        reading = self.results.readings.get(self._response("pores"))
        if isinstance(reading, Counts) and np.isfinite(reading.counts[i]):
            length = float(reading.length_mm[i])
            return int(reading.counts[i]), length if np.isfinite(length) else None
        if not text:
            return None, None
        if not text.isdecimal():
            self._fault(i, heading, f"{quoted(text)} is no whole number of pores")
            return None, None
        return int(text), None

    def _classes(self, i: int) -> Iterator[PoreClass]:
        """Read pores counted by class of diameter: ``surface pores 1 to 2 mm``."""
        for heading, cells in self.results.remarks.items():
            match = _CLASS.fullmatch(heading.strip())
            text = cells[i].strip()
            if match is None or not text:
                continue
            if not text.isdecimal():
                self._fault(i, heading, f"{quoted(text)} is no whole number of pores")
                continue
            low, high = (float(part.replace(",", ".")) for part in match.groups())
            yield PoreClass(low, high, int(text))

    def _list(self, i: int, text: str, heading: str) -> tuple[float, ...] | None:
        """Read a list of lengths, ``1.2; 0.8``; “none” and 0 are an empty one."""
        if not text:
            return None
        if text.casefold() in {"none", "0"}:
            return ()
        values = [self._number(i, part, heading) for part in re.split(r"\s*[;/]\s*", text.strip("; ")) if part]
        return tuple(value for value in values if value is not None)
