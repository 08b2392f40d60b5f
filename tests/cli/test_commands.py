from __future__ import annotations

import csv
import json
import re
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from cli.main import main
from doe.shipped import shipped


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(main, [str(a) for a in arguments], catch_exceptions=False)


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Result]:
    folder = tmp_path_factory.mktemp("demo") / "hinge"
    return folder, run("demo", folder)


@pytest.fixture
def study(tmp_path: Path) -> Path:
    shutil.copy(shipped("hinge-lugs/study.toml"), tmp_path / "study.toml")
    return tmp_path


@pytest.fixture
def filled(demo: tuple[Path, Result], tmp_path: Path) -> Path:
    for name in ("study.toml", "plan.csv", "results.csv"):
        shutil.copy(demo[0] / name, tmp_path / name)
    return tmp_path


def test_the_demo_does_the_whole_job_and_ends_with_the_report(demo: tuple[Path, Result]):
    folder, result = demo
    assert result.exit_code == 0
    assert result.stderr.rstrip().endswith(str(folder / "report" / "report.html"))
    assert "hidden truth" in result.stdout
    for name in ("study.toml", "plan.csv", "results.csv", "report/report.html", "report/setting-card.pdf"):
        assert (folder / name).stat().st_size > 0


def test_the_demo_says_whether_the_claim_is_right(demo: tuple[Path, Result]):
    _, result = demo
    assert "18 of 20 welds made in here meet every requirement; we are 90 % sure" in result.stdout
    assert "so the claim is right" in result.stdout


def test_the_demo_refuses_a_folder_that_is_in_use(tmp_path: Path):
    (tmp_path / "mine.txt").write_text("mine")
    result = run("demo", tmp_path)
    assert result.exit_code == 5
    assert "not empty" in result.stderr


def test_planning_twice_gives_the_same_bytes(study: Path):
    first = run("plan", study, "--json")
    table = (study / "plan.csv").read_bytes()
    second = run("plan", study, "--json")
    assert first.exit_code == second.exit_code == 0
    assert first.stdout == second.stdout
    assert (study / "plan.csv").read_bytes() == table


def test_the_plan_answers_as_the_interface_says(study: Path):
    answer = json.loads(run("plan", study, "--json").stdout)
    assert answer["schema"] == 1
    assert answer["seed"] == 1
    assert len(answer["welds"]) == 24
    weld = answer["welds"][0]
    assert set(weld) == {"weld", "plate", "position", "order", "settings", "marks", "block", "role"}
    assert weld["marks"]["voltage"] in {"1", "2", "3", "4", "5"}
    quality = answer["quality"]
    assert quality["parameters"] == 10
    for key in ("residual_df", "d_value", "d_efficiency", "average_variance", "i_efficiency", "worst_variance"):
        assert quality[key] is not None
    assert {"plates", "wire", "arc_time", "elapsed"} <= set(answer["cost"])


def test_a_filled_in_table_is_not_planned_over(filled: Path):
    before = (filled / "results.csv").read_bytes()
    refused = run("plan", filled)
    assert refused.exit_code == 5
    assert "--replace" in refused.stderr
    assert (filled / "results.csv").read_bytes() == before
    assert run("plan", filled, "--replace").exit_code == 0
    assert (filled / "results.1.csv").read_bytes() == before


def test_check_lists_every_fault_at_once(filled: Path):
    path = filled / "results.csv"
    lines = path.read_text().splitlines()
    rows = [i for i, line in enumerate(lines) if line.startswith("W") and ",done," in line and ",no," in line]
    lines[rows[0]] = lines[rows[0]].replace("no", "perhaps", 1)
    lines[rows[1]] = lines[rows[1]].replace("done", "finished", 1)
    path.write_text("\n".join(lines))
    result = run("check", filled)
    assert result.exit_code == 3
    assert f"row {rows[0] + 1}" in result.stdout
    assert f"row {rows[1] + 1}" in result.stdout
    answer = json.loads(run("check", filled, "--json").stdout)
    assert len(answer["faults"]) == 2
    assert answer["error"]["code"] == 3


def test_check_of_a_good_table_counts_the_welds(filled: Path):
    answer = json.loads(run("check", filled, "--json").stdout)
    assert answer["welds"] == 24
    assert answer["faults"] == []
    assert "24 welds read, no fault" in run("check", filled).stdout


def test_check_says_what_lost_welds_mean(filled: Path):
    path = filled / "results.csv"
    path.write_text(path.read_text().replace(",done,", ",scrapped,", 1))
    result = run("check", filled)
    assert "What lost welds mean:" in result.stdout
    assert "of 24 welds came to nothing" in result.stdout
    [found, *_] = json.loads(run("check", filled, "--json").stdout)["rescue"]
    assert len(found["lost"]) == 1
    assert found["widening"] > 1.0


def test_check_sets_the_welds_against_a_named_table(filled: Path):
    arguments = ("check", filled, "--code", "ISO 5817", "--level", "C", "--leg", "6mm")
    result = run(*arguments)
    assert result.exit_code == 0
    assert "Against ISO 5817, level C, specified leg 6 mm, thickness 10 mm:" in result.stdout
    assert "passes root fusion" in result.stdout
    assert "qualifies neither a procedure nor a welder" in result.stdout
    code = json.loads(run(*arguments, "--json").stdout)["code"]
    assert {check["check"] for check in code[0]["checks"]} >= {"undercut", "pores", "cracks"}


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--code", "ISO 5187", "--leg", "6mm"), "“ISO 5187” is not held; did you mean ISO 5817"),
        (("--code", "ISO 5817", "--leg", "6mm"), "needs a quality level: B, C, D"),
        (("--code", "AWS D1.1", "--level", "C", "--leg", "6mm"), "has no quality levels"),
        (("--code", "AWS D1.1", "--leg", "6"), "give the specified leg with its unit"),
        (("--code", "AWS D1.1", "--leg", "0mm"), "“0mm” is not above 0"),
        (("--code", "AWS D1.1"), "give the specified leg, such as 6mm"),
    ],
)
def test_a_table_that_cannot_be_checked_by_is_refused(filled: Path, arguments: tuple[str, ...], said: str):
    result = run("check", filled, *arguments)
    assert result.exit_code == 3
    assert said in result.stderr


def test_a_level_without_a_code_is_wrong_usage(filled: Path):
    assert run("check", filled, "--level", "C").exit_code == 2


def test_check_writes_an_annotated_copy_and_leaves_the_table(filled: Path):
    path = filled / "results.csv"
    path.write_text(path.read_text().replace(",done,", ",finished,", 1))
    before = path.read_bytes()
    assert run("check", filled, "--annotate").exit_code == 3
    assert path.read_bytes() == before
    assert "finished" in (filled / "report" / "results-remarks.csv").read_text()


def test_a_refusal_is_one_json_object(tmp_path: Path):
    (tmp_path / "study.toml").write_text("[study]\ntitel = 3\n")
    result = run("fit", tmp_path, "--json")
    assert result.exit_code == 3
    error = json.loads(result.stdout)["error"]
    assert error["code"] == 3
    assert any("title" in fault["message"] for fault in error["faults"])


def test_fit_answers_as_the_interface_says(filled: Path):
    answer = json.loads(run("fit", filled, "--json").stdout)
    assert answer["coding"]["voltage"] == {"centre": pytest.approx(19.65), "half": pytest.approx(2.65)}
    depth = answer["responses"]["penetration"]
    assert depth["kind"] == "measure"
    assert {"term", "estimate", "se", "low", "high"} == set(depth["terms"][0])
    assert {"weld", "plate", "reading"} == set(depth["spread"])
    assert "dispersion" in answer["responses"]["porosity"]
    assert {"scale", "separated"} <= set(answer["responses"]["trip"])
    for part in answer["responses"].values():
        found = part["diagnosis"]
        assert {"findings", "notes", "left_out", "smooth", "influence", "drift", "residuals"} == set(found)
        assert found["findings"] or found["notes"]
    assert depth["diagnosis"]["left_out"] is not None
    assert depth["diagnosis"]["drift"] is not None


def test_the_window_in_words_ends_with_what_it_rests_on(filled: Path):
    text = run("window", filled).stdout
    rests = json.loads(run("window", filled, "--json").stdout)["assumptions"]
    told = "This rests on what was assumed and not measured:\n" + "".join(f"- {line}\n" for line in rests)
    assert told in text
    assert "Before each later weld the plate is back at the preheat setting." in rests
    assert any(line.startswith("Repeat scatter of penetration") for line in rests)


def test_fit_in_words_names_every_response(filled: Path):
    text = run("fit", filled).stdout
    for name in ("penetration", "porosity", "trip"):
        assert f"\n{name} (" in text
    assert "voltage^2" in text
    assert text.count("  Checked:\n") == 3
    assert text.count("  Prior sensitivity: the chance of meeting the requirement at ") == 2  # pores and trips
    assert "the breaker expected quicker, by one standard deviation" in text
    assert text.count("  Assumed and not measured:\n") == 3
    assert "  - porosity: more towards both ends of voltage and of feed" in text


def test_fit_in_words_tells_what_the_hand_did(filled: Path):
    with (filled / "results.csv").open(newline="", encoding="utf-8") as file:
        head = [line for line in file if line.startswith("#")]
        file.seek(0)
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    for i, row in enumerate(rows):
        row["travel speed [mm/min]"] = f"{290 + 3 * (i * i % 11)}"
    with (filled / "results.csv").open("w", newline="", encoding="utf-8") as file:
        file.writelines(head)
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    study = filled / "study.toml"
    study.write_text(study.read_text(encoding="utf-8").replace("[job]", '[job]\ncovariates = ["travel speed"]', 1))
    text = run("fit", filled).stdout
    assert "travel speed, per sd" in " ".join(text.split())
    assert re.search(r"within that between welds, from what the hand did: travel speed 0\.\d+\n", text)


def test_check_names_the_welds_that_were_not_made(filled: Path):
    table = filled / "results.csv"
    table.write_text("".join(line for line in table.read_text().splitlines(keepends=True) if "W03," not in line))
    assert "24 welds read, no fault; not run: W03." in run("check", filled).stdout
    run("plan", filled, "--replace")
    assert "24 welds read, no fault; none of them made yet." in run("check", filled).stdout


def test_a_fit_is_a_table_of_its_terms(filled: Path):
    from doe.bench import read_results  # noqa: PLC0415 - heavy, and this test's alone
    from doe.models import fit_responses  # noqa: PLC0415
    from doe.study import read_study  # noqa: PLC0415

    fit = fit_responses(read_results(filled, read_study(filled)), seed=1, textbook=True)
    frame = fit.to_frame()
    assert list(frame.columns) == ["response", "kind", "term", "estimate", "se", "low", "high"]
    told = fit.to_dict()["responses"]
    assert len(frame) == sum(len(response["terms"]) for response in told.values())
    first = frame[frame["response"] == "penetration"].iloc[0]
    assert first["estimate"] == told["penetration"]["terms"][0]["estimate"]


def test_what_is_yes_or_no_is_told_so(filled: Path):
    text = run("fit", filled).stdout
    assert "  separated: yes" in text or "  separated: no" in text


def test_textbook_fit_names_its_method(filled: Path):
    answer = json.loads(run("fit", filled, "--textbook", "--json").stdout)
    assert "log_likelihood" in answer["responses"]["penetration"]
    assert "judged by its own tests" in answer["responses"]["penetration"]["diagnosis"]["notes"][0]


def test_window_answers_as_the_interface_says(filled: Path):
    result = run("window", filled, "--json")
    answer = json.loads(result.stdout)
    assert result.exit_code == (0 if answer["found"] else 4)
    assert answer["claim"] == {"reliability": 0.9, "confidence": 0.9}
    assert answer["window"]["voltage"]["marks"]
    assert answer["best"]["assurance"]["low"] >= 0.9
    assert set(answer["best"]["responses"]) == {"penetration", "porosity", "trip"}


def test_the_same_results_and_seed_give_the_same_answer(filled: Path):
    assert run("window", filled, "--json").stdout == run("window", filled, "--json").stdout


def test_no_window_leaves_with_four_and_says_what_can_be_said(filled: Path):
    path = filled / "study.toml"
    path.write_text(path.read_text().replace("at_least = 1.2", "at_least = 4.0"))
    result = run("window", filled, "--json")
    assert result.exit_code == 4
    answer = json.loads(result.stdout)
    assert answer["found"] is False
    assert answer["if_not"]["reason"] == "data speak against"
    text = run("window", filled)
    assert text.exit_code == 4
    assert "no setting can be claimed" in text.stdout


def test_a_report_without_a_window_says_so_on_page_and_card(filled: Path):
    path = filled / "study.toml"
    path.write_text(path.read_text().replace("at_least = 1.2", "at_least = 4.0"))
    result = run("report", filled)
    assert result.exit_code == 0
    page = (filled / "report" / "report.html").read_text()
    assert "No setting can be claimed yet" in page
    assert "NOT CONFIRMED" not in page


def test_report_lists_its_files(filled: Path):
    answer = json.loads(run("report", filled, "--json").stdout)
    names = {Path(name).name for name in answer["files"]}
    assert names == {"report.html", "setting-card.pdf", "run-sheet.pdf", "answer.json"}
    assert answer["window"]["schema"] == 1


def test_the_report_is_the_same_bytes_twice(filled: Path):
    run("report", filled)
    first = {path.name: path.read_bytes() for path in (filled / "report").iterdir()}
    run("report", filled)
    assert {path.name: path.read_bytes() for path in (filled / "report").iterdir()} == first


def test_new_without_questions_makes_a_plan_to_print(tmp_path: Path):
    folder = tmp_path / "gate"
    result = run("new", folder, "--no-input")
    assert result.exit_code == 0, result.stderr
    for name in ("study.toml", "plan.csv", "results.csv", "report/run-sheet.pdf"):
        assert (folder / name).exists()
    written = (folder / "study.toml").read_text().split("more", maxsplit=1)[0]
    assert 12 <= len([line for line in written.splitlines() if line and not line.startswith("#")]) <= 25
    assert run("new", folder, "--no-input").exit_code == 5


def test_what_an_engineer_asks_of_a_plan_is_told_by_plan_and_not_by_new(tmp_path: Path):
    new = run("new", tmp_path / "gate", "--no-input", "--welds", "8")
    assert "For an engineer" not in new.stdout
    assert "nothing can be claimed about it from 8 welds" in " ".join(new.stdout.split())
    assert "For an engineer" in run("plan", tmp_path / "gate").stdout


def test_new_without_a_terminal_says_which_answers_are_defaults(tmp_path: Path):
    result = run("new", tmp_path / "gate", "--welds", "8", "--wire", "1.2 mm cored")
    assert result.exit_code == 0, result.stderr
    said = " ".join(result.stderr.split())
    assert "There was no terminal to ask at: these are defaults, not your answers: --weld “lap fillet, 10 mm”" in said
    assert "--wire “" not in said
    assert "--welds “" not in said
    assert "no terminal" not in run("new", tmp_path / "lug", "--welds", "8", "--no-input").stderr


def test_new_takes_each_answer_from_its_flag(tmp_path: Path):
    folder = tmp_path / "gate"
    result = run(
        "new", folder, "--no-input", "--weld", "tee, 1/4 in", "--voltage", "1=17 2=18.5 3=20", "--feed",
        "200 to 350 in/min by 25", "--supply", "240 V, 30 A", "--plate", "2 warm", "--welds", "16", "--must",
        "1/16 in penetration, 1 pore in 2 in, hold 20 s", "--wire", "0.035 in cored", "--preheat", "70 150 250 degF",
    )  # fmt: skip
    assert result.exit_code == 0, result.stderr
    answer = json.loads(run("plan", folder, "--json").stdout)
    assert set(answer["welds"][0]["settings"]) == {"voltage", "feed", "preheat"}


def test_a_plan_that_cannot_be_made_writes_nothing(tmp_path: Path):
    folder = tmp_path / "gate"
    result = run("new", folder, "--no-input", "--welds", "4")
    assert result.exit_code == 4
    assert not folder.exists()


def test_an_answer_that_cannot_be_read_writes_nothing(tmp_path: Path):
    folder = tmp_path / "gate"
    result = run("new", folder, "--no-input", "--feed", "fast")
    assert result.exit_code == 3
    assert "5 to 9 m/min by 0.5" in result.stderr
    assert not folder.exists()


@pytest.fixture
def at_a_terminal(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr("cli.commands.new.is_terminal", lambda: True)


@pytest.mark.usefixtures("at_a_terminal")
def test_new_asks_again_where_an_answer_cannot_be_read(tmp_path: Path):
    folder = tmp_path / "gate"
    answers = ["lap", "lap 6 mm", "", "1 to 4", "fast", "1 to 10", "?", "1", "deep", "3 mm penetration"]
    answers += ["0.2", "0.2 mm", "18"]
    result = CliRunner().invoke(main, ["new", str(folder)], input="\n".join(answers) + "\n")
    assert result.exit_code == 0, result.stderr
    assert result.stderr.count("Error: ") == 4
    assert "a wrong answer makes a wrong claim" in result.stderr
    assert "porosity gets worse" not in result.stderr
    assert "What is welded?" not in result.stdout
    study = (folder / "study.toml").read_text(encoding="utf-8")
    assert 'job.thickness = "6 mm"' in study
    assert '\n#  { name = "porosity"' in study
    assert "at_least = 3, expect_scatter = 0.2 }" in study


@pytest.mark.usefixtures("at_a_terminal")
@pytest.mark.parametrize(
    ("zone", "ratio", "written"),
    [("voltage, feed", "10", 'expect_good_zone = ["voltage", "feed"], expect_ratio_under = 10 }'), ("feed", "", "")],
)
def test_what_is_known_of_porosity_is_asked_with_what_a_good_weld_must_meet(
    tmp_path: Path, zone: str, ratio: str, written: str
):
    answers = ["tee, 6 mm", "", "", "", "", "", "2 pores in 100 mm", zone, ratio, "12"]
    result = CliRunner().invoke(main, ["new", str(tmp_path / "gate")], input="\n".join(answers) + "\n")
    assert result.exit_code == 0, result.stderr
    text = (tmp_path / "gate" / "study.toml").read_text(encoding="utf-8").split("# more")[0]
    assert (written or 'per = "100 mm", at_most = 2 }') in text
    assert ("without the second the first is left out" in result.stderr) == (not written)
    assert "plan.welds = 12 " in text


@pytest.mark.usefixtures("at_a_terminal")
def test_what_flags_say_is_not_asked_and_is_given_back(tmp_path: Path):
    flags = ["--scatter", "0.3 mm", "--good-zone", "feed", "--ratio-under", "5"]
    result = CliRunner().invoke(main, ["new", str(tmp_path / "gate"), *flags], input="\n" * 7 + "4\n")
    assert result.exit_code == 4
    assert "Known from" not in result.stderr
    assert "--scatter '0.3 mm' --good-zone feed --ratio-under 5" in " ".join(result.stderr.split())


def test_new_takes_what_is_known_from_earlier_work_from_flags(tmp_path: Path):
    folder = tmp_path / "gate"
    known = ["--scatter", "0.3 mm", "--good-zone", "voltage, feed", "--ratio-under", "10"]
    result = run("new", folder, "--no-input", "--welds", "12", *known)
    assert result.exit_code == 0, result.stderr
    text = (folder / "study.toml").read_text(encoding="utf-8").split("# more")[0]
    assert "expect_scatter = 0.3 }" in text
    assert 'expect_good_zone = ["voltage", "feed"], expect_ratio_under = 10 }' in text
    assert run("check", folder).exit_code == 0
    refused = run("new", tmp_path / "lug", "--no-input", "--good-zone", "feed")
    assert refused.exit_code == 3
    assert "used together or not at all" in refused.stderr


@pytest.mark.usefixtures("at_a_terminal")
def test_answers_that_lead_nowhere_are_given_back_as_one_command(tmp_path: Path):
    result = CliRunner().invoke(main, ["new", str(tmp_path / "gate")], input="tee, 6 mm\n" + "\n" * 8 + "4\n")
    assert result.exit_code == 4
    assert "--weld 'tee, 6 mm'" in result.stderr
    assert "--welds 4" in result.stderr
    assert not (tmp_path / "gate").exists()


def test_go_walks_the_short_path(study: Path, demo: tuple[Path, Result]):
    planned = run("go", study)
    assert planned.exit_code == 0
    assert "there is no plan yet" in planned.stderr
    waiting = run("go", study)
    assert "waited for" in waiting.stderr
    answer = json.loads(run("go", study, "--json").stdout)
    assert answer["due"] is None
    assert "results.csv" in answer["reason"]
    shutil.copy(demo[0] / "plan.csv", study / "plan.csv")
    shutil.copy(demo[0] / "results.csv", study / "results.csv")
    reported = run("go", study)
    assert reported.exit_code == 0
    assert (study / "report" / "report.html").exists()


def test_a_plan_from_elsewhere_is_scored(study: Path, tmp_path: Path):
    run("plan", study)
    design = tmp_path / "mine.csv"
    lines = [line for line in (study / "plan.csv").read_text().splitlines() if not line.startswith("#")]
    design.write_text("\n".join(lines))
    ours = json.loads(run("plan", study, "--json").stdout)["quality"]
    scored = json.loads(run("plan", study, "--design", design, "--json").stdout)["quality"]
    assert scored["average_variance"] == pytest.approx(ours["average_variance"], rel=1e-9)


def test_a_published_experiment_is_answered():
    # 32 published welds (tests/reference/trade/sreeraj2013_gmaw_clad); the two requirements are ours
    cladding = Path(__file__).parents[1] / "studies" / "cladding"
    result = run("window", cladding, "--json")
    answer = json.loads(result.stdout)
    assert result.exit_code == (0 if answer["found"] else 4)
    at = answer["best"]["responses"] if answer["found"] else answer["if_not"]
    assert at
    if answer["found"]:
        assert at["penetration"]["weld_low"] >= 1.6
        assert at["width"]["weld_high"] <= 9.0
    text = run("window", cladding).stdout
    assert "current 225 A" in text


def test_a_missing_study_is_told_in_one_sentence(tmp_path: Path):
    result = run("window", tmp_path)
    assert result.exit_code == 3
    assert "study.toml" in result.stderr
