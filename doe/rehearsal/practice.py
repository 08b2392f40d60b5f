"""Practice for a class: everyone welds on the same virtual welder, whose truth stays hidden until the answer key.

A group's number gives the truth; group, learner's name and stage give the scatter, so that two learners see the same
machine and different welds, and the same learner sees the same welds again. Which welds were made stands in the
table of results alone, so that nothing can get out of step; it is filled in only while nobody else has written in it.
"""

from __future__ import annotations

import csv
import hashlib
from collections.abc import Collection, Iterable
from pathlib import Path
from typing import Final, get_args

import numpy as np

from doe.bench.columns import plan_columns
from doe.bench.practice_file import Practice
from doe.bench.stage import is_untouched, last_stage, stage_path
from doe.errors import CannotAnswerError, WouldOverwriteError
from doe.planning.plan import Plan
from doe.planning.reading import read_plan
from doe.planning.region import reachable_settings
from doe.rehearsal.judging import find_true_window, judge
from doe.saving import write_text
from doe.study.model import Study
from doe.virtual import VirtualWelder, draw_welder, filled_table, true_assurance, weld_plan
from doe.virtual.families import Family
from doe.window.window import Window
from doe.window.words import at_least, box_words, setting_words

TEACHABLE: Final = (0.06, 0.5)
"""A truth is drawn again until this share of the settings is good: some to be found, not so many that any will do."""
MOST_DRAWS: Final = 100
"""Truths drawn at most; a study that asks too much or nothing keeps the last."""
JUDGED_AT: Final = 3_000
"""Settings at which a truth is weighed."""


def class_welder(study: Study, group: int) -> VirtualWelder:
    """Give the virtual welder of a group: the same for everyone in it who has the same study.

    Parameters
    ----------
    study : Study
    group : int
    """
    settings = reachable_settings(study, at_most=JUDGED_AT).points
    families: tuple[Family, ...] = get_args(Family)
    low, high = TEACHABLE
    for draw in range(MOST_DRAWS):
        welder = draw_welder(study, families[group % len(families)], rng=np.random.default_rng([group, draw]))
        good = true_assurance(welder, study, settings) >= study.claim.reliability
        if low <= good.mean() <= high:
            break
    return welder


def make_welds(study: Study, practice: Practice, wanted: Iterable[str] | None) -> tuple[Path, tuple[str, ...]]:
    """Make welds of the last stage planned and fill them into its table of results.

    Parameters
    ----------
    study : Study
    practice : Practice
    wanted : iterable of str or None
        Numbers of the welds; None: all that are left, in the order of the plan.

    Returns
    -------
    path : Path
        The table.
    new : tuple of str
        The welds made now.

    Raises
    ------
    CannotAnswerError
        If there is no plan, a weld is not in it or was made before, none is left, or the key was shown.
    WouldOverwriteError
        If a person has written in the table.
    """
    plan = _last_plan(study, practice)
    path = stage_path(study.folder, "results", plan.stage)
    made = _made(path, plan, practice)
    new = _to_make(plan, made, wanted)
    write_text(path, _table(plan, practice, {*made, *new}))
    return path, new


def _made(path: Path, plan: Plan, practice: Practice) -> frozenset[str]:
    """Give the welds whose rows the virtual welder has filled in; refuse a table in which anybody else wrote."""
    if not path.exists() or is_untouched(path):
        return frozenset()
    text = path.read_text(encoding="utf-8")
    rows = csv.reader(line for line in text.splitlines() if not line.startswith("#"))
    n_planned = len(plan_columns(plan.study))
    made = frozenset(row[0] for row in list(rows)[1:] if row and any(row[n_planned:]))
    if text != _table(plan, practice, made):
        message = f"{path.name} holds what was written by hand; the virtual welder goes on only where nobody else wrote"
        raise WouldOverwriteError(message)
    return made


def _last_plan(study: Study, practice: Practice) -> Plan:
    """Give the plan of the last stage."""
    if practice.key_shown:
        message = "the answer key of this folder was shown, so welding here would prove nothing; begin in a new folder"
        raise CannotAnswerError(message)
    stage = last_stage(study.folder)
    if stage == 0:
        message = f"there is no plan yet; “weldwindow plan {study.folder}” makes one"
        raise CannotAnswerError(message)
    return read_plan(stage_path(study.folder, "plan", stage), study)


def _to_make(plan: Plan, made: Collection[str], wanted: Iterable[str] | None) -> tuple[str, ...]:
    """Give the welds to make now, in the order of the plan."""
    planned = [weld.weld for weld in sorted(plan.welds, key=lambda weld: weld.order)]
    if wanted is None:
        wanted = [weld for weld in planned if weld not in made]
        if not wanted:
            message = f"all {len(planned)} welds of stage {plan.stage} are made"
            raise CannotAnswerError(message)
    spelling = {weld.casefold(): weld for weld in planned}
    asked = list(dict.fromkeys(spelling.get(weld.strip().casefold(), weld.strip().upper()) for weld in wanted))
    wrong = [f"{weld} is not in the plan" for weld in asked if weld not in planned]
    wrong += [f"{weld} was made before" for weld in asked if weld in made]
    if wrong:
        message = f"{'; '.join(wrong)}. Stage {plan.stage} has {min(planned)} to {max(planned)}"
        raise CannotAnswerError(message)
    return tuple(weld for weld in planned if weld in asked)


def _table(plan: Plan, practice: Practice, made: Collection[str]) -> str:
    """Give the table of results with the readings of the welds made so far."""
    name = int.from_bytes(hashlib.sha256(practice.learner.encode()).digest()[:4])
    rng = np.random.default_rng([practice.group, name, plan.stage])
    results = weld_plan(plan, class_welder(plan.study, practice.group), rng=rng)
    return filled_table(plan, results, only=made)


def answer_key(window: Window, practice: Practice) -> tuple[str, ...]:
    """Give the answer key: the hidden truth, and how the learner's answer stands beside it.

    Parameters
    ----------
    window : Window
        The learner's own answer.
    practice : Practice
    """
    study = window.study
    welder = class_welder(study, practice.group)
    settings = reachable_settings(study, at_most=JUDGED_AT).points
    truth = true_assurance(welder, study, settings)
    best = settings[int(truth.argmax())]
    lines = [*judge(window, welder=welder).words()]
    lines.append(
        f"Truly best: {setting_words(study, tuple(best))}, where {at_least(float(truth.max()))} of welds pass."
    )
    true = find_true_window(window, welder=welder)
    if true is None:
        lines.append("Truly, no setting holds what was asked.")
    else:
        lines.append(f"The largest box that truly holds: {box_words(study, true.box)}.")
    if window.answer.best is not None:
        own = float(true_assurance(welder, study, np.array([window.answer.best.settings]))[0])
        lines.append(f"At your own best setting {at_least(own)} of welds truly pass.")
    return tuple(lines)
