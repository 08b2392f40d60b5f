"""The study: what is asked. Read and checked from study.toml.

- ``read_study(path) -> Study``: from the folder or the file
- ``parse_study(text) -> Study``: from the text
- ``study_text(new) -> str``: a first study.toml from the answers to the eight questions
- the objects: ``Study`` and its parts ``Factor``, ``Limit``, ``Response``, ``Job``, ``Supply``, ``Machine``,
  ``PlanWishes``, ``Blocks``, ``Claim``

The readers are imported when they are first asked for, so that importing the objects alone stays quick.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

from doe.study.model import (
    Blocks,
    Claim,
    Factor,
    Job,
    Limit,
    Machine,
    PlanWishes,
    Response,
    Study,
    Supply,
)

if TYPE_CHECKING:
    from doe.study.reading import STUDY_FILE, parse_study, read_study
    from doe.study.writing import NewStudy, study_text

__all__ = [
    "STUDY_FILE",
    "Blocks",
    "Claim",
    "Factor",
    "Job",
    "Limit",
    "Machine",
    "NewStudy",
    "PlanWishes",
    "Response",
    "Study",
    "Supply",
    "parse_study",
    "read_study",
    "study_text",
]

_LATER = {
    "STUDY_FILE": "reading",
    "parse_study": "reading",
    "read_study": "reading",
    "NewStudy": "writing",
    "study_text": "writing",
}


def __getattr__(name: str) -> Any:
    if name not in _LATER:
        message = f"module {__name__!r} has no attribute {name!r}"
        raise AttributeError(message)
    return getattr(importlib.import_module(f"doe.study.{_LATER[name]}"), name)
