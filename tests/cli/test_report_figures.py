from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

import cli.steps
from cli.main import main
from doe.errors import CannotAnswerError


def test_report_hands_the_folder_for_figures_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    asked: dict[str, object] = {}

    def note_only(folder: Path, *, seed: int, figures: Path | None = None):
        asked.update(folder=folder, seed=seed, figures=figures)
        message = "far enough"
        raise CannotAnswerError(message)

    monkeypatch.setattr(cli.steps, "make_report", note_only)
    result = CliRunner().invoke(main, ["report", str(tmp_path), "--figures", str(tmp_path / "pictures"), "--seed", "4"])
    assert asked == {"folder": tmp_path, "seed": 4, "figures": tmp_path / "pictures"}
    assert result.exit_code == 4


def test_figures_cannot_go_into_a_file(tmp_path: Path):
    (tmp_path / "pictures").write_text("")
    result = CliRunner().invoke(main, ["report", str(tmp_path), "--figures", str(tmp_path / "pictures")])
    assert result.exit_code == 2
    assert "is a file" in result.stderr
