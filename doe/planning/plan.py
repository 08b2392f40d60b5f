"""The plan: which welds to make, where, and in which order."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final, Literal, get_args

import numpy as np

from doe.coding import FloatArray
from doe.study.model import Factor, Study

if TYPE_CHECKING:
    import pandas as pd

WeldRole = Literal["plan", "repeat", "next", "confirm", "second"]
ROLES: tuple[str, ...] = get_args(WeldRole)
SECOND: Final = "second"
"""The role of a second bead: at the settings of its first, looked over and counted, and not cut."""


@dataclass(frozen=True)
class PlannedWeld:
    """One weld to make.

    Attributes
    ----------
    weld, plate : str
        ``W01``, ``P01``.
    position : int
        1, 2 ... on its plate.
    order : int
        1 ... n, the order to weld in; a later stage counts on.
    settings : tuple of float
        Natural value a factor, in the study's order; kinds by index.
    block : str or None
    role : {"plan", "repeat", "next", "confirm", "second"}
    """

    weld: str
    plate: str
    position: int
    order: int
    settings: tuple[float, ...]
    block: str | None = None
    role: WeldRole = "plan"


@dataclass(frozen=True, eq=False)
class Plan:
    """The welds to make.

    Attributes
    ----------
    study : Study
    welds : tuple of PlannedWeld
        In the order W01, W02 ...; of this stage only.
    seed : int
    stage : int
        1 for plan.csv, 2 for plan-2.csv ...
    reasons : mapping of str to str
        Weld to why it is there, for follow-up welds.
    earlier : tuple of PlannedWeld
        The welds of earlier stages that these were planned to go with.
    notes : tuple of str
        What was decided that the study did not ask for in so many words, and what to watch; plain sentences.
    fingerprint : str
        The study's fingerprint when the plan was made.
    """

    study: Study
    welds: tuple[PlannedWeld, ...]
    seed: int
    stage: int = 1
    reasons: Mapping[str, str] = field(default_factory=dict)
    earlier: tuple[PlannedWeld, ...] = ()
    notes: tuple[str, ...] = ()
    fingerprint: str = ""

    @property
    def settings(self) -> FloatArray:
        """Natural settings, shape (n_welds, n_factors)."""
        return np.array([weld.settings for weld in self.welds], dtype=float).reshape(-1, len(self.study.factors))

    @property
    def all_welds(self) -> tuple[PlannedWeld, ...]:
        """The welds of earlier stages and these."""
        return (*self.earlier, *self.welds)

    @property
    def designed(self) -> tuple[PlannedWeld, ...]:
        """The welds of this stage without second beads: those that were placed for the model, and are counted."""
        return without_second(self.welds)

    @property
    def second_beads(self) -> tuple[PlannedWeld, ...]:
        """The second beads of this stage."""
        return tuple(weld for weld in self.welds if weld.role == SECOND)

    @property
    def all_designed(self) -> tuple[PlannedWeld, ...]:
        """The welds of earlier stages and these, without second beads."""
        return without_second(self.all_welds)

    def to_dict(self) -> dict[str, object]:
        """Give what ``plan --json`` prints of the welds themselves."""
        return {
            "seed": self.seed,
            "stage": self.stage,
            "welds": [self._weld_dict(weld) for weld in self.welds],
            "notes": list(self.notes),
        }

    def _weld_dict(self, weld: PlannedWeld) -> dict[str, object]:
        """Describe one weld."""
        pairs = list(zip(self.study.factors, weld.settings, strict=True))
        described: dict[str, object] = {
            "weld": weld.weld,
            "plate": weld.plate,
            "position": weld.position,
            "order": weld.order,
            "settings": {factor.name: setting_value(factor, value) for factor, value in pairs},
            "marks": {f.name: mark for f, value in pairs if (mark := f.mark_at(value)) is not None},
            "block": weld.block,
            "role": weld.role,
        }
        if weld.weld in self.reasons:
            described["reason"] = self.reasons[weld.weld]
        return described

    def to_frame(self) -> pd.DataFrame:
        """Give a new table, one row a weld: numbers as numbers, kinds and marks as text."""
        import pandas as pd  # noqa: PLC0415 - costs half a second, and only tables need it

        rows = []
        for weld in self.welds:
            row: dict[str, object] = {
                "weld": weld.weld,
                "plate": weld.plate,
                "position": weld.position,
                "order": weld.order,
            }
            for factor, value in zip(self.study.factors, weld.settings, strict=True):
                mark, shown = factor.mark_at(value), setting_value(factor, value)
                row |= {h: shown if mark is None or h == factor.heading else mark for h in factor_headings(factor)}
            if self.study.plan.blocks is not None:
                row[self.study.plan.blocks.name] = weld.block
            rows.append(row | {"role": weld.role})
        return pd.DataFrame(rows)


def without_second(welds: Iterable[PlannedWeld]) -> tuple[PlannedWeld, ...]:
    """Leave second beads out."""
    return tuple(weld for weld in welds if weld.role != SECOND)


def setting_value(factor: Factor, value: float) -> float | str:
    """Give a setting as it is written: the kind's name, or the number freed of binary rounding."""
    return factor.kinds[int(value)] if factor.is_kind else float(f"{value:.12g}")


def factor_headings(factor: Factor) -> tuple[str, ...]:
    """Give a factor's headings: ``voltage mark``, ``voltage [V]``; a dial without calibration has only the mark."""
    if not factor.calibrated or factor.unit == "mark":
        return (f"{factor.name} mark",)
    return (f"{factor.name} mark", factor.heading) if factor.marks else (factor.heading,)
