"""Small studies to change one thing in."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest

from doe.errors import INVALID_INPUT, StudyError
from doe.study import Study, parse_study

STUDY = "[study]\n"
FACTOR = '[[factor]]\nname = "feed"\nunit = "m/min"\nlow = 5.0\nhigh = 9.0\nstep = 0.5\n'
RESPONSE = '[[response]]\nname = "penetration"\nkind = "measure"\nunit = "mm"\nat_least = 1.2\n'
FULL = (Path(__file__).parent / "full.toml").read_text(encoding="utf-8")


def whole(extra: str, factor: str, response: str) -> str:
    return STUDY + factor + response + extra


@pytest.fixture(scope="session")
def full() -> str:
    return FULL


@pytest.fixture
def parse() -> Callable[..., Study]:
    """Parse a sound small study with something added, or with other factors or responses."""

    def parse_parts(extra: str = "", *, factor: str = FACTOR, response: str = RESPONSE) -> Study:
        return parse_study(whole(extra, factor, response))

    return parse_parts


@pytest.fixture
def refused() -> Callable[..., None]:
    """Check that such a study is refused for exactly one fault, at a key, with a message."""

    def check(key: str | None, match: str, extra: str = "", *, factor: str = FACTOR, response: str = RESPONSE) -> None:
        with pytest.raises(StudyError, match=match) as caught:
            parse_study(whole(extra, factor, response))
        assert [fault.key for fault in caught.value.faults] == [key]
        assert re.search(match, caught.value.faults[0].message)
        assert caught.value.faults[0].file == "study.toml"
        assert caught.value.exit_code == INVALID_INPUT

    return check
