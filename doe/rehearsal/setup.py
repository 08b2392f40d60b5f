"""What is rehearsed: a study, a hidden truth, how much is known beforehand, and how many welds in which stages."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from doe.errors import StudyError
from doe.study.circumstances import COVARIATES
from doe.study.model import Blocks, LaterWelds, Machine, Response, Study, Supply
from doe.virtual import WELDERS, Bench, VirtualWelder, draw_welder
from doe.virtual.families import Family
from doe.virtual.welder import measured_part

STATED_ERROR: Final = 0.25
"""Standard deviation of the log of a stated scatter over the true one: a shop knows it to a quarter. Our value."""


@dataclass(frozen=True)
class Knowledge:
    """What a shop knows beforehand and reads beside the welds.

    Attributes
    ----------
    name : str
    answers : bool
        Both questions about porosity are answered.
    scatter : bool
        An expected repeat scatter is stated, right to ``STATED_ERROR``.
    supply : bool
        Supply and machine are stated.
    bench : Bench
        How long the arc is held, what is inspected, which meters are read.
    stated : float
        The scatter that is stated over the true one, on average.
    second_bead : bool
        One more bead at every setting is looked over for pores.
    """

    name: str
    answers: bool = True
    scatter: bool = True
    supply: bool = True
    bench: Bench = field(default_factory=lambda: Bench(inspected=4.5))
    stated: float = 1.0
    second_bead: bool = False

    def apply(self, study: Study) -> Study:
        """Give the study of a shop that knows so much."""
        responses = tuple(self._response(response) for response in study.responses)
        if self.bench.records_hand:
            study = replace(study, job=replace(study.job, covariates=COVARIATES))
        if self.supply:
            return replace(study, responses=responses)
        return replace(study, responses=responses, supply=Supply(), machine=Machine())

    def _response(self, response: Response) -> Response:
        """Take from a response what is not known."""
        known = response if self.scatter else replace(response, expect_scatter=None)
        return known if self.answers else replace(known, expect_good_zone=(), expect_ratio_under=None)

    def state_scatter(self, study: Study, welder: VirtualWelder, rng: np.random.Generator) -> Study:
        """Give the study with the scatter this shop states: the welder's own, as well as it is known.

        Parameters
        ----------
        study : Study
            As ``apply`` gives it: measures without an expected scatter keep none.
        welder : VirtualWelder
        rng : numpy.random.Generator
        """
        return replace(study, responses=tuple(self._stated(response, welder, rng) for response in study.responses))

    def _stated(self, response: Response, welder: VirtualWelder, rng: np.random.Generator) -> Response:
        if response.expect_scatter is None:
            return response
        error = float(np.exp(rng.normal(0.0, STATED_ERROR)))
        return replace(response, expect_scatter=measured_part(welder, response).weld_sd * self.stated * error)


INFORMED: Final = Knowledge("informed")
"""All of METHOD.md's levers: both answers, scatter, supply, line current read, twice the arc time, 4.5 lengths."""
NOTHING_KNOWN: Final = Knowledge(
    "nothing known", answers=False, scatter=False, supply=False, bench=Bench(records_line_current=False)
)
"""No answer and no meter; the arc is held for twice the time, as the run sheet asks, and that bead is inspected."""
LEVERS: Final = (
    Knowledge("without the answers", answers=False),
    Knowledge("without a scatter", scatter=False),
    Knowledge("scatter stated at half", stated=0.5),
    Knowledge("load computed", bench=Bench(inspected=4.5, records_line_current=False, records_arc=True)),
    Knowledge("supply unknown", supply=False, bench=Bench(inspected=4.5, records_line_current=False)),
    Knowledge("one length inspected", bench=Bench(inspected=1.0)),
    Knowledge("arc held once", bench=Bench(inspected=4.5, hold_times=1.0)),
    Knowledge("travel speed and stick-out read", bench=Bench(inspected=4.5, records_hand=True)),
    Knowledge("nine lengths inspected", bench=Bench(inspected=9.0)),
)
"""The informed shop with one lever less, with a wrong one, or with one more."""
WITH_SECOND: Final = Knowledge("informed, second beads", second_bead=True)
"""The informed shop that makes one more bead at every setting, looked over for pores and not cut."""
KNOWLEDGE: Final = {known.name: known for known in (INFORMED, WITH_SECOND, NOTHING_KNOWN, *LEVERS)}


@dataclass(frozen=True)
class Truth:
    """A hidden truth, or a family of them, and what the study must say to go with it.

    Attributes
    ----------
    name : str
    welder : VirtualWelder or None
        None: every study draws one of its own from ``family``.
    family : {"smooth", "bent"}
    later_welds : {"cooled", "warm"}
    days : int
        Days the welds are spread over, as blocks of the plan; 1 for none.
    """

    name: str
    welder: VirtualWelder | None = None
    family: Family = "smooth"
    later_welds: LaterWelds = "cooled"
    days: int = 1

    def draw(self, study: Study, rng: np.random.Generator) -> VirtualWelder:
        """Give the welder of one study."""
        return draw_welder(study, self.family, rng=rng) if self.welder is None else self.welder


def _truths() -> dict[str, Truth]:
    named = {
        name: Truth(
            name,
            welder,
            later_welds="warm" if name == "warm second sides" else "cooled",
            days=3 if name == "days differ" else 1,
        )
        for name, welder in WELDERS.items()
    }
    families = {f"family: {family}": Truth(f"family: {family}", family=family) for family in ("smooth", "bent")}
    return named | families


TRUTHS: Final = _truths()
"""Every named welder, and the families drawn at random."""


@dataclass(frozen=True, eq=False)
class Setup:
    """One way of doing one study.

    Attributes
    ----------
    study : Study
        Without regard to what is known and how many welds are made.
    truth : Truth
    knowledge : Knowledge
    stages : tuple of int
        Welds of each stage; the first is planned, the others go where ``doe.window.next_welds`` puts them.
    """

    study: Study
    truth: Truth
    knowledge: Knowledge
    stages: tuple[int, ...]

    @property
    def welds(self) -> int:
        """Welds of all stages."""
        return sum(self.stages)

    @property
    def label(self) -> tuple[str, str, str]:
        """Knowledge, truth and stages, as they stand in the table."""
        return self.knowledge.name, self.truth.name, "+".join(map(str, self.stages))

    def planned(self) -> Study:
        """Give the study to plan and weld by.

        Raises
        ------
        StudyError
            If a study over several days is to be made in stages.
        """
        if self.truth.days > 1 and len(self.stages) > 1:
            message = f"“{self.truth.name}” is spread over {self.truth.days} days by plan; it is not made in stages"
            raise StudyError(message)
        per_plate = self.study.plan.welds_per_plate
        blocks = None
        if self.truth.days > 1:
            blocks = Blocks("day", _day_sizes(self.welds, self.truth.days, per_plate))
        wishes = replace(
            self.study.plan,
            welds=self.welds,
            stages=self.stages,
            later_welds=self.truth.later_welds,
            blocks=blocks,
            second_bead=self.knowledge.second_bead,
        )
        return replace(self.knowledge.apply(self.study), plan=wishes)


def _day_sizes(welds: int, days: int, per_plate: int) -> tuple[int, ...]:
    """Spread whole plates over days as evenly as can be."""
    plates = -(-welds // per_plate)
    each = [plates // days + (day < plates % days) for day in range(days)]
    sizes = [n * per_plate for n in each]
    sizes[-1] -= sum(sizes) - welds
    return tuple(sizes)
