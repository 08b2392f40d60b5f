"""``shelf``, ``pack`` and ``practise``, run as a user would."""

from __future__ import annotations

import hashlib
import json
import re
import shutil
import zipfile
from pathlib import Path

import html5lib
import pytest
from click.testing import CliRunner, Result

from cli.main import main


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(main, [str(a) for a in arguments], catch_exceptions=False)


@pytest.fixture(scope="session")
def finished(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with one lesson: planned, welded, reported."""
    folder = tmp_path_factory.mktemp("shelf") / "lesson"
    for arguments in (
        ("practise", folder, "--group", "7", "--learner", "Ida"),
        ("plan", folder),
        ("practise", folder, "--all"),
        ("report", folder),
    ):
        result = run(*arguments)
        assert result.exit_code == 0, result.stderr
    return folder


@pytest.fixture
def lesson(finished: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(finished, tmp_path / "lesson"))


def test_the_answer_key_comes_once_and_ends_the_welding(lesson):
    result = run("practise", lesson, "--key", "--json")
    assert result.exit_code == 0
    key = json.loads(result.stdout)["key"]
    assert any(line.startswith("Truly best: voltage") for line in key)
    assert json.loads((lesson / "practice.json").read_text())["key_shown"] is True
    assert run("practise", lesson, "--all").exit_code == 4


def test_in_a_folder_for_practice_the_next_step_is_a_command_and_no_welding(tmp_path):
    folder = tmp_path / "lesson"
    run("practise", folder)
    planned = run("plan", folder)
    hint = f"weldwindow practise {folder} --all (or --weld and a number) makes the welds and fills in"
    assert f"next: {hint} {folder / 'results.csv'}; then weldwindow go {folder}" in planned.stderr
    waited = run("go", folder)
    assert f"The welds are waited for: {hint} results.csv." in waited.stderr
    assert "weld, cut, measure" not in planned.stderr + waited.stderr
    assert run("practise", folder, "--all").exit_code == 0
    (folder / "practice.json").unlink()
    assert "weld, cut, measure; fill in" in run("plan", folder, "--replace").stderr


def test_practise_without_a_wish_says_what_can_be_wished(lesson):
    result = run("practise", lesson)
    assert result.exit_code == 2
    assert "--weld" in result.stderr


def test_the_shelf_lists_every_study_with_its_window(lesson):
    other = lesson.parent / "other"
    assert run("new", other, "--no-input").exit_code == 0
    (lesson.parent / "spoilt").mkdir()
    (lesson.parent / "spoilt" / "study.toml").write_text("x = ")
    result = run("shelf", lesson.parent, "--json")
    assert result.exit_code == 0
    studies = {Path(s["folder"]).name: s for s in json.loads(result.stdout)["studies"]}
    assert studies["other"]["standing"] == "no report yet"
    assert studies["spoilt"]["fault"]
    assert "voltage" in studies["lesson"]["window"]
    assert re.fullmatch(r"\d{4}-\d\d-\d\d", studies["lesson"]["changed"])
    assert "Hinge lugs, 10 mm" in run("shelf", lesson.parent).stdout


def test_the_shelf_page_validates_and_links_to_the_report(lesson):
    assert run("shelf", lesson.parent).exit_code == 0
    page = (lesson.parent / "shelf.html").read_text(encoding="utf-8")
    html5lib.HTMLParser(strict=True).parse(page)
    assert 'href="lesson/report/report.html"' in page
    assert run("shelf", lesson.parent).exit_code == 0  # its own page is written again


def test_a_study_changed_since_its_report_says_so(lesson):
    table = lesson / "results.csv"
    table.write_text(table.read_text() + "\n")
    (study,) = json.loads(run("shelf", lesson.parent, "--json").stdout)["studies"]
    assert study["standing"] == "changed since its report"
    refused = run("pack", lesson)
    assert refused.exit_code == 4
    assert "files have changed since the report was made" in refused.stderr


def test_an_answer_that_does_not_say_of_what_it_is_cannot_be_packed(lesson):
    path = lesson / "report" / "answer.json"
    held = json.loads(path.read_text())
    del held["said"]["version"]
    path.write_text(json.dumps(held))
    refused = run("pack", lesson)
    assert refused.exit_code == 4
    assert "weldwindow report" in refused.stderr


def test_a_study_that_rests_on_another_folder_is_not_packed_without_it(lesson):
    old = shutil.copytree(lesson, lesson.parent / "old")
    text = (lesson / "study.toml").read_text()
    (lesson / "study.toml").write_text(text.replace("expect_scatter = 0.25", 'expect_scatter = "../old"'))
    assert old.is_dir()
    assert run("report", lesson).exit_code in {0, 4}
    refused = run("pack", lesson)
    assert refused.exit_code == 4
    assert "takes its scatter from another study's folder" in refused.stderr


def test_titles_stay_text_on_the_shelf(lesson):
    text = (lesson / "study.toml").read_text()
    (lesson / "study.toml").write_text(text.replace("Hinge lugs, 10 mm", "<script>alert(1)</script>"))
    run("shelf", lesson.parent)
    assert "<script" not in (lesson.parent / "shelf.html").read_text()


def test_a_page_of_somebody_else_is_not_overwritten(lesson):
    page = lesson.parent / "shelf.html"
    page.write_text("my own")
    assert run("shelf", lesson.parent).exit_code == 5
    assert page.read_text() == "my own"


def test_an_empty_shelf_is_said_plainly(tmp_path):
    result = run("shelf", tmp_path)
    assert result.exit_code == 4
    assert "there is no study under" in result.stderr


def test_a_pack_has_the_same_bytes_twice_and_makes_the_same_numbers(lesson):
    assert run("pack", lesson).exit_code == 0
    path = lesson / "report" / "lesson.zip"
    first = path.read_bytes()
    assert run("pack", lesson).exit_code == 0
    assert path.read_bytes() == first
    result = run("pack", "--check", path, "--json")
    assert result.exit_code == 0
    assert json.loads(result.stdout) == {"schema": 1, "files": 11, "same": True, "changes": []}


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"results.csv": b"other"}, "results.csv was changed"),
        ({"../evil": b"x"}, "“../evil” does not belong in a pack"),
        ({"more.csv": b"x"}, "more.csv was added"),
        ({"plan.csv": None}, "plan.csv is missing"),
    ],
)
def test_a_pack_that_was_changed_is_refused_by_name(lesson, tmp_path, change, said):
    run("pack", lesson)
    with zipfile.ZipFile(lesson / "report" / "lesson.zip") as pack:
        files = {name: pack.read(name) for name in pack.namelist()} | change
    with zipfile.ZipFile(tmp_path / "changed.zip", "w") as pack:
        for name, data in files.items():
            if data is not None:
                pack.writestr(name, data)
    result = run("pack", "--check", tmp_path / "changed.zip")
    assert result.exit_code == 3
    assert said in result.stderr


def test_numbers_that_do_not_come_out_again_are_named(lesson, tmp_path):
    run("pack", lesson)
    with zipfile.ZipFile(lesson / "report" / "lesson.zip") as pack:
        files = {name: pack.read(name) for name in pack.namelist()}
    answer = json.loads(files["report/answer.json"])
    answer["window"]["found"] = not answer["window"]["found"]
    files["report/answer.json"] = json.dumps(answer).encode()
    contents = json.loads(files["contents.json"])
    contents["sha256"]["report/answer.json"] = hashlib.sha256(files["report/answer.json"]).hexdigest()
    files["contents.json"] = json.dumps(contents).encode()
    with zipfile.ZipFile(tmp_path / "other.zip", "w") as pack:
        for name, data in files.items():
            pack.writestr(name, data)
    result = run("pack", "--check", tmp_path / "other.zip")
    assert result.exit_code == 4
    assert "found: False was packed, True came out" in result.stdout or "found: True was" in result.stdout


def test_what_is_no_pack_is_refused(tmp_path):
    (tmp_path / "x.zip").write_bytes(b"PK nothing")
    result = run("pack", "--check", tmp_path / "x.zip")
    assert result.exit_code == 3
    assert "is not a pack" in result.stderr
