"""A study of hundreds of welds on eight dials: every step of the work gives an answer, and keeps its memory small."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from cli.main import main
from cli.steps import fit_and_check, make_report
from doe.models.inverse import WoodburyInverse
from doe.models.measure import MeasureModel
from doe.models.smooth import MANY

POSITIONS = 9
RESPONSES = ("depth", "leg")


def write_study(folder: Path, *, welds: int, n_dials: int) -> None:
    """Write a study and its results: bent surfaces with scatter, two welds a plate; invented."""
    dials = [f"dial{j + 1}" for j in range(n_dials)]
    text = ['[study]\ntitle = "Large"', f"[plan]\nwelds = {welds}\nwelds_per_plate = 2\nlater_welds = 'cooled'"]
    text += [f'[[factor]]\nname = "{name}"\nlow = 0\nhigh = {POSITIONS - 1}\nstep = 1' for name in dials]
    text += [
        f'[[response]]\nname = "{name}"\nkind = "measure"\nunit = "mm"\nat_least = 2.0\nexpect_scatter = 0.2'
        for name in RESPONSES
    ]
    (folder / "study.toml").write_text("\n".join(text) + "\n", encoding="utf-8")
    rng = np.random.default_rng(1)
    settings = rng.integers(0, POSITIONS, (welds, n_dials))
    coded = 2.0 * settings / (POSITIONS - 1) - 1.0
    plates = 0.1 * rng.standard_normal((welds // 2, len(RESPONSES)))
    rows = [",".join(["weld", "plate", "position", *dials, *(f"{name} [mm]" for name in RESPONSES)])]
    for i in range(welds):
        means = (3 + 0.5 * coded[i, j] - 0.3 * coded[i, j + 1] ** 2 for j in range(len(RESPONSES)))
        read = [f"{m + p + 0.2 * rng.standard_normal():.3f}" for m, p in zip(means, plates[i // 2], strict=True)]
        rows.append(",".join([f"W{i + 1}", f"P{i // 2 + 1}", str(i % 2 + 1), *map(str, settings[i]), *read]))
    (folder / "results.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")


def test_a_fit_of_400_welds_on_eight_dials_is_held_by_columns_and_checked(tmp_path: Path):
    welds = 400
    write_study(tmp_path, welds=welds, n_dials=8)
    checked = fit_and_check(tmp_path, seed=1, textbook=False)
    models = [part.model for part in checked.fit.responses]
    assert all(isinstance(model, MeasureModel) for model in models)
    inverses = [model.nodes.inverse for model in models if isinstance(model, MeasureModel)]
    assert isinstance(inverses[0], WoodburyInverse)
    assert inverses[0] is inverses[1]
    in_full = len(inverses[0].place) * welds**2
    assert sum(core.size for core in inverses[0].cores) < in_full / 5
    spread = checked.fit.response("depth").numbers["spread"]
    assert isinstance(spread, dict)
    assert spread["weld"] == pytest.approx(0.2, abs=0.04)
    assert spread["plate"] == pytest.approx(0.1, abs=0.06)
    for diagnosis in checked.diagnoses:
        assert diagnosis.left_out is not None
        assert diagnosis.left_out.by == "plate"
        assert diagnosis.left_out.n == welds
        assert not diagnosis.left_out.is_doubtful
        assert any(f"found on {MANY} of the {welds} readings" in line for line in diagnosis.sentences)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write a study smaller than that, so that a window is found within some seconds."""
    folder = tmp_path_factory.mktemp("large")
    write_study(folder, welds=120, n_dials=5)
    return folder


def test_the_report_claims_a_window_and_says_what_was_looked_at(folder: Path):
    reported = make_report(folder, seed=1)
    box = reported.window.answer.box
    assert box is not None
    assert not box.proven_largest
    assert reported.window.reachable.size < POSITIONS**5 / 10
    assert any(f"{POSITIONS**5:,} settings together" in line for line in reported.window.findings)
    assert (folder / "report" / "report.html").stat().st_size < 20_000_000
    held = json.loads((folder / "report" / "answer.json").read_text(encoding="utf-8"))
    assert held["window"]["found"]


@pytest.mark.parametrize("command", ["check", "pack"])
def test_the_other_commands_answer(folder: Path, command: str):
    result = CliRunner().invoke(main, [command, str(folder)])
    assert result.exit_code == 0, result.output
