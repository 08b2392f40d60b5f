"""Any setting, asked for itself: what the report's page works out again in the reader's browser.

The draws are those behind what the window says of its best setting, so that the page and ``window --json`` print the
same numbers there. Where there are so many parameters that 4,000 draws take too much room, fewer are drawn afresh; then
page and window differ by Monte Carlo error, and ``expect_setting`` here, on the same fewer draws, is what the page
agrees with.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from doe.models.fit import Fit, Posterior, ResponseFit
from doe.window.assurance import Draws, Position, Scenario
from doe.window.best import draw_others, expect
from doe.window.compact import compact
from doe.window.inquiry import CLAIM_DRAWS
from doe.window.posing import UnsettledError, blocked_fits, draw_source, scenarios_of, with_requirement
from doe.window.window import Chance, ResponseNumbers, Window

ROOM: Final = 400_000
"""Bytes that all draws together may take. Our choice: a page that a phone opens at once."""
LEAST_DRAWS: Final = 500
"""Never fewer draws."""
PROBING_DRAWS: Final = 8
"""Draws from which the number of parameters is counted."""


@dataclass(frozen=True, eq=False)
class Explorer:
    """Draws from every response, able to answer for any setting.

    Attributes
    ----------
    window : Window
    scenarios : tuple of Scenario
        The welds that can be asked for, in the order of the window's answers.
    draws : Draws
        Of the responses with a requirement; of none where nothing is asked of any.
    others : mapping of str to Posterior
        Of the others, by name.
    """

    window: Window
    scenarios: tuple[Scenario, ...]
    draws: Draws
    others: Mapping[str, Posterior]

    @property
    def n_draws(self) -> int:
        """Number of draws."""
        return next(iter(self.posteriors.values())).n_draws

    @property
    def posteriors(self) -> dict[str, Posterior]:
        """Every response's posterior, in the study's order."""
        drawn = {**dict(zip(self.draws.names, self.draws.posteriors, strict=True)), **self.others}
        return {r.name: drawn[r.name] for r in self.window.study.responses if r.name in drawn}


def open_explorer(fit: Fit, window: Window, *, room: int = ROOM) -> Explorer | None:
    """Draw what it takes to answer for any setting; None where some response cannot be judged, or did not settle.

    Parameters
    ----------
    fit : Fit
    window : Window
        Found from the same fit.
    room : int
        Bytes that the draws may take, two a parameter and draw.
    """
    required = with_requirement(fit)
    if fit.textbook or blocked_fits(required):
        return None
    try:
        return _explorer(fit, window, required, room=room)
    except UnsettledError:
        return None


def _explorer(fit: Fit, window: Window, required: tuple[ResponseFit, ...], *, room: int) -> Explorer | None:
    """Draw for every response; None where there is none to draw."""
    source, stage = draw_source(required, fit, window.seed), window.answer.stage
    others = tuple(f for f in fit.responses if not f.response.has_requirement)
    probe = [*source(stage, PROBING_DRAWS).posteriors, *draw_others(others, window.seed, PROBING_DRAWS).values()]
    if not probe:
        return None
    n_parameters = sum(len(compact(posterior).lows) for posterior in probe)
    n_draws = min(CLAIM_DRAWS, max(room // (2 * n_parameters), LEAST_DRAWS))
    scenarios = scenarios_of(fit)[0][: len(window.answers)]
    return Explorer(window, scenarios, source(stage, n_draws), draw_others(others, window.seed, n_draws))


def expect_setting(
    explorer: Explorer, setting: tuple[float, ...], *, position: Position = "any"
) -> tuple[Chance, dict[str, ResponseNumbers]]:
    """Give the assurance of a setting (1 where nothing is asked), and what to expect of every response there.

    Parameters
    ----------
    explorer : Explorer
    setting : tuple of float
        Natural; kinds by index.
    position : "any", 1 or 2

    Returns
    -------
    assurance : Chance
    numbers : dict of str to ResponseNumbers
        In the study's order.
    """
    scenario = next(s for s in explorer.scenarios if s.position == position)
    confidence = explorer.window.claim.confidence
    chance, numbers = expect(explorer.draws, explorer.others, setting, scenario=scenario, confidence=confidence)
    return chance, {name: numbers[name] for name in explorer.posteriors}
