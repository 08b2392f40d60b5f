"""The bench page, used in headless Chromium as a person would use it."""

from __future__ import annotations

import csv
import io
import re
import time
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from doe.bench import read_results, results_table
from doe.bench.results import Counts, Measurement, Passes, Results, Trips
from doe.bench.stage import write_stage
from doe.bench.taking import read_export, write_export
from doe.planning.plan import Plan
from doe.planning.second_beads import add_second_beads
from doe.report.bench_page import FROM_PAGE, write_bench_page
from doe.study.model import Study

pytestmark = pytest.mark.browser


def entries_of(i: int) -> dict[str, tuple[str, str]]:
    """Give what is entered for the i-th weld (invented): heading to text and unit, as the bench page takes it."""
    entries = {
        "status": ("done", ""),
        "penetration [mm]": (f"{1.4 + 0.05 * i:.2f}".replace(".", "," if i % 3 == 0 else "."), ""),
        "porosity": (str(i % 3), ""),
        "porosity length [mm]": ("100", ""),
        "trip": ("yes" if i % 5 == 4 else "no", ""),
        "trip time [s]": (f"{60.5 - i:g}", ""),
        "root fused": ("yes" if i % 2 else "no", ""),
        "plate temperature [degC]": (str(20 + i), ""),
        "rest [min]": ("4", ""),
        "stick-out [mm]": ("16", ""),
    }
    special: Mapping[int, dict[str, tuple[str, str]]] = {
        1: {"penetration [mm]": ("3/32", "in"), "stick-out [mm]": ("0.63", "in"), "notes": ('=1+1, "so"; # no', "")},
        2: {"penetration [mm]": ("burnt through", ""), "plate temperature [degC]": ("70", "degF")},
        3: {"penetration [mm]": ("unreadable", ""), "place": ("wind", ""), "outlet": ("bench, left", "")},
        4: {"status": ("aborted", ""), "notes": ("tripped\nat once", ""), "voltage actual [V]": ("19,6", "")},
        5: {"line voltage [V]": ("221", ""), "gap [mm]": ("0.5", ""), "time": ("2031-05-04T10:30", "")},
    }
    return entries | special.get(i, {})


WORDS = {"burnt through": "burn-through", "unreadable": "?"}


def fill(page: Any, weld: str, entries: Mapping[str, tuple[str, str]]) -> None:
    """Enter one weld by taps and typing."""
    kinds = {field["heading"]: field["kind"] for field in page.data["fields"]}
    page.go(weld)
    for heading, (text, unit) in entries.items():
        if text in WORDS:
            page.word(heading, text)
        elif kinds[heading] in ("status", "choice"):
            page.browser.run("document.querySelectorAll('details').forEach((fold) => { fold.open = true; })")
            page.choose(heading, text)
        elif kinds[heading] == "count":
            page.browser.click(f"#{page.field[heading]}-none")
            for _ in range(int(text)):
                page.browser.click(f"#{page.field[heading]}-more")
        else:
            page.write(heading, text, unit=unit)


def typed_table(plan: Plan, entries: Mapping[str, Mapping[str, tuple[str, str]]]) -> str:
    """Give the same entries as a person would type them into the blank results.csv."""
    lines = results_table(plan).splitlines(keepends=True)
    head, *rows = csv.reader(line for line in lines if not line.startswith("#"))
    text = io.StringIO()
    text.writelines(line for line in lines if line.startswith("#"))
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(head)
    for row in rows:
        typed = {heading: f"{WORDS.get(t, t)} {unit}".strip() for heading, (t, unit) in entries[row[0]].items()}
        cells = [typed.get(heading, old).replace("\n", " ") for heading, old in zip(head, row, strict=True)]
        writer.writerow([f"'{cell}" if cell.startswith("=") else cell for cell in cells])
    return text.getvalue()


def assert_same(one: Results, other: Results) -> None:
    for name in ("weld", "plate", "block", "role", "status", "remarks"):
        assert getattr(one, name) == getattr(other, name)
    for name in ("position", "order", "planned", "settings"):
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name))
    for key, values in one.conditions.items():
        np.testing.assert_array_equal(values, other.conditions[key])
    for name, readings in one.readings.items():
        parts = {
            Measurement: ("values", "full"),
            Counts: ("counts", "length_mm"),
            Trips: ("tripped", "time_s"),
            Passes: ("passed",),
        }
        for part in parts[type(readings)]:
            np.testing.assert_array_equal(getattr(readings, part), getattr(other.readings[name], part))


def test_a_whole_study_filled_in_equals_the_same_study_typed(
    open_page: Any, lugs: Study, tmp_path: Path, make_plan: Any
):
    plan = make_plan(lugs, 12)
    write_stage(plan)
    page = open_page(plan)
    entries = {weld.weld: entries_of(i) for i, weld in enumerate(plan.welds)}
    for i, (weld, entered) in enumerate(entries.items()):
        if i == 6:
            page.browser.open(page.page)  # half way the page is loaded again
        fill(page, weld, entered)
    page.browser.open(page.page)
    assert page.browser.text("#progress-words") == "12 of 12 welds made, 12 complete"
    file = page.export()
    typed = typed_table(plan, entries)
    exported = file.read_text(encoding="utf-8")
    assert exported.replace(f"{FROM_PAGE}\n", "") == typed
    assert write_export(read_export(file, lugs)).files == (lugs.folder / "results.csv",)
    other = tmp_path / "typed"
    other.mkdir()
    write_stage(replace(plan, study=replace(lugs, folder=other)))
    (other / "results.csv").write_text(typed, encoding="utf-8")
    taken = read_results(lugs.folder, lugs)
    assert_same(taken, read_results(other, replace(lugs, folder=other)))
    depth = taken.readings["penetration"]
    assert isinstance(depth, Measurement)
    np.testing.assert_allclose(depth.values[:4, 0], [1.4, 2.38125, 10.0, np.nan])
    assert taken.remarks["notes"][1] == '=1+1, "so"; # no'
    assert not [line for line in page.browser.log() if "Refused" in line or "Content Security Policy" in line]


def test_every_tap_survives_a_reload(page: Any):
    page.go("W03")
    page.choose("status", "done")
    page.browser.open(page.page)
    assert page.browser.text("#heading") == "W03: weld 3 of 6"
    pressed = "return document.getElementById(arguments[0]).getAttribute('aria-pressed')"
    assert page.browser.run(pressed, f"{page.field['status']}-0") == "true"
    assert page.browser.text("#saved") == "Saved on this device"


def test_a_reload_that_sees_an_older_store_shows_the_newer_entries(page: Any):
    key = page.data["key"]
    page.go("W03")
    before = page.browser.run("return localStorage.getItem(arguments[0])", key)
    page.choose("status", "done")
    page.browser.run("localStorage.setItem(arguments[0], arguments[1])", key, before)
    # the page tells the browser of its history entry by the way; nobody's finger is as quick as a driver's reload
    time.sleep(0.5)
    page.browser.call("POST", "/refresh", {})
    assert page.rows()[2]["status"] == "done"


def test_a_second_bead_is_complete_with_its_count(open_page: Any, lugs: Study, make_plan: Any):
    study = replace(lugs, plan=replace(lugs.plan, second_bead=True))
    plan = make_plan(study)
    page = open_page(replace(plan, welds=add_second_beads(plan.welds, wanted=True)))
    shown = "return document.getElementById(arguments[0]) !== null"
    page.go("W05b")
    assert page.browser.text("#heading") == "W05b: weld 3 of 12"
    assert "The second bead of W05: look it over and count. It is not cut." in page.browser.text("#screen")
    assert "Looked over" in page.browser.text("#screen")
    for heading in ("penetration [mm]", "root fused"):
        assert not page.browser.run(shown, f"{page.field[heading]}-label"), heading
    for heading in ("porosity", "porosity length [mm]", "trip", "status", "notes"):
        assert page.browser.run(shown, f"{page.field[heading]}-label"), heading
    assert "Hold for" not in page.browser.text("#screen")
    page.choose("status", "done")
    page.browser.click("#all")
    assert page.browser.text("#weld-2").endswith("done; still open: porosity")
    page.go("W05b")
    page.browser.click(f"#{page.field['porosity']}-more")
    page.browser.click("#all")
    assert page.browser.text("#weld-2").endswith("done; complete")
    page.go("W05")
    assert page.browser.run(shown, f"{page.field['penetration [mm]']}-label")
    assert "Hold for" in page.browser.text("#screen")
    row = next(row for row in page.rows() if row["weld"] == "W05b")
    assert (row["porosity"], row["penetration [mm]"], row["trip"], row["role"]) == ("1", "", "", "second")


def test_a_second_bead_that_trips_has_the_same_cautions(open_page: Any, lugs: Study, make_plan: Any):
    study = replace(lugs, plan=replace(lugs.plan, second_bead=True))
    plan = make_plan(study)
    page = open_page(replace(plan, welds=add_second_beads(plan.welds, wanted=True)))
    page.go("W05")
    page.choose("trip", "yes")
    page.go("W05b")
    assert "W05 tripped at this setting. If it trips again, this setting is done." in page.browser.text(".care")
    page.choose("trip", "yes")
    assert "W05 tripped at this setting too: it is done." in page.browser.text(".care")


def test_undo_takes_back_one_step_at_a_time_and_survives_a_reload(page: Any):
    page.go("W03")
    page.write("penetration [mm]", "2.1")
    page.choose("status", "scrapped")
    page.browser.click("#next")
    page.browser.open(page.page)
    page.browser.click("#undo")
    assert page.browser.text("#heading").startswith("W03")
    assert page.rows()[2]["status"] == ""
    assert page.rows()[2]["penetration [mm]"] == "2.1"
    page.browser.click("#undo")
    assert page.rows()[2]["penetration [mm]"] == ""
    assert page.browser.run("return document.getElementById('undo').getAttribute('aria-disabled')") == "true"
    page.browser.click("#undo")


def test_a_tap_on_a_chosen_button_clears_it(page: Any):
    page.go("W01")
    page.choose("root fused", "no")
    page.choose("root fused", "no")
    assert page.rows()[0]["root fused"] == ""


def test_the_arc_timer_runs_on_the_wall_clock_while_the_phone_is_locked(page: Any):
    page.go("W05")
    page.at_time(1_900_000_000_000)
    page.browser.click("#arc-key")
    page.browser.open(page.page)
    page.at_time(1_900_000_031_400)
    time.sleep(0.3)
    assert page.browser.text("#arc-clock") == "31.4 s"
    assert page.browser.text("#arc-reached") == "30 s reached"
    page.browser.click("#arc-key")
    row = page.rows()[4]
    assert row["trip"] == "no"
    assert row["trip time [s]"] == "31.4"
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d", row["time"])


def test_one_tap_stops_the_timer_and_notes_the_trip(page: Any):
    page.go("W05")
    page.at_time(1_900_000_000_000)
    page.browser.click("#arc-key")
    page.at_time(1_900_000_012_000)
    page.browser.click("#arc-trip-0")
    care = page.browser.text(".care")
    assert "let breaker and machine cool, reset once" in care
    assert "Never fit a larger breaker" in care
    row = page.rows()[4]
    assert (row["trip"], row["trip time [s]"]) == ("yes", "12.0")
    page.go("W06")
    assert "W05, the weld before, tripped" in page.browser.text(".care")


def test_a_timer_that_was_forgotten_is_asked_about(page: Any):
    page.go("W05")
    page.at_time(1_900_000_000_000)
    page.browser.click("#arc-key")
    page.at_time(1_900_003_600_000)
    page.browser.click("#arc-key")
    assert "was the timer left running" in page.browser.text(f"#{page.field['trip time [s]']}-remark")


def test_a_broken_arc_adds_up(page: Any):
    page.go("W05")
    page.at_time(1_900_000_000_000)
    page.browser.click("#arc-key")
    page.at_time(1_900_000_010_000)
    page.browser.click("#arc-key")
    page.at_time(1_900_000_060_000)
    page.browser.click("#arc-key")
    page.at_time(1_900_000_065_500)
    page.browser.click("#arc-key")
    assert page.rows()[4]["trip time [s]"] == "15.5"


def test_the_rest_is_timed_from_arc_to_arc_and_written_down(page: Any):
    page.go("W05")
    page.at_time(1_900_000_000_000)
    page.browser.click("#arc-key")
    page.at_time(1_900_000_030_000)
    page.browser.click("#arc-key")
    page.go("W06")
    page.at_time(1_900_000_234_000)
    time.sleep(0.3)
    assert page.browser.text("#rest-clock") == "3:24"
    page.browser.click("#arc-key")
    row = page.rows()[5]
    assert row["rest [min]"] == "3.4"
    assert page.rows()[4]["rest [min]"] == ""


def test_a_night_is_no_rest(page: Any):
    page.go("W05")
    page.at_time(1_900_000_000_000)
    page.browser.click("#arc-key")
    page.browser.click("#arc-key")
    page.at_time(1_900_000_000_000 + 13 * 3600_000)
    page.go("W06")
    page.browser.click("#arc-key")
    assert page.rows()[5]["rest [min]"] == ""


def test_only_one_arc_is_timed_at_once(page: Any):
    page.go("W05")
    page.browser.click("#arc-key")
    page.go("W06")
    assert page.browser.text("#arc-key") == "The arc timer of W05 is running: go there"
    page.browser.click("#arc-key")
    assert page.browser.text("#heading").startswith("W05")


def test_a_second_trip_at_a_setting_ends_that_setting(open_page: Any, lugs: Study, make_plan: Any):
    plan = make_plan(lugs)
    alike = tuple(replace(weld, settings=plan.welds[0].settings) for weld in plan.welds[:3])
    page = open_page(replace(plan, welds=(*alike, *plan.welds[3:])))
    page.go("W01")
    page.choose("trip", "yes")
    page.go("W02")
    assert "W01 tripped at this setting. If it trips again, this setting is done." in page.browser.text(".care")
    page.choose("trip", "yes")
    assert "W01 tripped at this setting too: it is done" in page.browser.text(".care")
    page.go("W03")
    assert "Mark this weld “not run”" in page.browser.text(".care")


def test_the_unit_switch_says_what_a_number_is_in_and_is_remembered(page: Any):
    page.go("W01")
    page.write("penetration [mm]", "0,08", unit="in")
    assert page.browser.text(f"#{page.field['penetration [mm]']}-remark") == "= 2.03 mm"
    page.go("W02")
    page.browser.type(f"#{page.field['penetration [mm]']}", ".1")
    rows = page.rows()
    assert [rows[i]["penetration [mm]"] for i in (0, 1)] == ["0,08 in", ".1 in"]
    page.go("W01")
    page.browser.click(f"#{page.field['penetration [mm]']}-unit-0")
    assert page.rows()[0]["penetration [mm]"] == "0,08"


@pytest.mark.parametrize(
    ("typed", "doubt"),
    [
        ("21", "21 is deeper than the plate is thick (10 mm). Is it 2.1, or burnt through?"),
        ("1,500", "“1,500” can be 1.500 or 1500: write it without the comma."),
        ("two", "“two” may not be readable: a number such as 2.1 or 3/32 is meant."),
        ("1 1/8", ""),
        ("2,1", ""),
        (">10", ""),
    ],
)
def test_a_doubtful_number_is_asked_about_and_kept(page: Any, typed: str, doubt: str):
    page.go("W01")
    page.write("penetration [mm]", typed)
    assert page.browser.text(f"#{page.field['penetration [mm]']}-remark") == doubt
    assert page.rows()[0]["penetration [mm]"] == typed


def test_what_stays_the_same_is_one_tap_and_never_filled_in_unasked(page: Any):
    page.go("W05")
    page.write("stick-out [mm]", "0.63", unit="in")
    page.browser.click("#next")
    assert page.rows()[5]["stick-out [mm]"] == ""
    page.go("W06")
    stays = f"#{page.field['stick-out [mm]']}-stays"
    assert page.browser.text(stays) == "as W05: 0.63 in"
    page.browser.click(stays)
    assert page.rows()[5]["stick-out [mm]"] == "0.63 in"


def test_the_list_names_what_is_still_open(page: Any):
    page.go("W05")
    page.choose("status", "aborted")
    page.browser.click("#all")
    assert "aborted; still open: penetration, porosity, trip, root fused, why, in the notes" in page.browser.text(
        ".list"
    )
    page.go("W06")
    page.choose("status", "not run")
    assert page.browser.text("#progress-words") == "1 of 6 welds made, 0 complete, 1 not run"


def test_a_device_that_does_not_save_is_told_of_plainly(browser: Any, lugs: Study, make_plan: Any):
    browser.open(write_bench_page(make_plan(lugs))[0])
    browser.run("localStorage.clear(); history.replaceState(null, '')")
    script = "Storage.prototype.setItem = () => { throw new DOMException('no', 'QuotaExceededError'); }"
    number = browser.devtools("Page.addScriptToEvaluateOnNewDocument", source=script)["identifier"]
    try:
        browser.open(write_bench_page(make_plan(lugs))[0])
        warning = browser.text("#warning")
        assert browser.run("return document.getElementById('warning').hidden") is False
        assert "does not let the page save" in warning
        assert browser.text("#saved") == "Not saved"
        browser.click("#next")
        assert browser.text("#heading") == "W05: weld 1 of 6"
    finally:
        browser.devtools("Page.removeScriptToEvaluateOnNewDocument", identifier=number)


def test_damaged_entries_are_kept_aside(page: Any):
    page.browser.run("localStorage.setItem(arguments[0], '{')", page.data["key"])
    page.browser.open(page.page)
    assert page.browser.run("return localStorage.getItem(arguments[0] + ' damaged')", page.data["key"]) == "{"
    assert "0 of 6" in page.browser.text("#progress-words")


def test_entries_of_another_version_of_the_plan_are_not_mixed_in(page: Any, lugs: Study, make_plan: Any):
    page.go("W01")
    page.choose("status", "done")
    edited = make_plan(lugs)
    first = replace(edited.welds[0], settings=(17.0, 9.0, 20.0))
    other = write_bench_page(replace(edited, welds=(first, *edited.welds[1:])))[0]
    page.browser.open(other)
    assert "0 of 6" in page.browser.text("#progress-words")
    assert "another version of this plan" in page.browser.text(".banner")


def test_the_table_is_shared_where_the_browser_offers_it(page: Any):
    assert page.browser.run("return document.getElementById('share')") is None
    page.browser.run(
        "navigator.canShare = (given) => given.files.length === 1;"
        "navigator.share = (given) => given.files[0].text()"
        ".then((text) => { window.shared = [given.files[0].name, text]; });"
    )
    page.browser.click("#all")
    page.browser.click("#share")
    time.sleep(0.2)
    name, text = page.browser.run("return window.shared")
    assert name == "bench-0123456789ab-1.csv"
    assert text == page.browser.run("return document.getElementById('as-text').value")
    assert page.browser.text("#exported") == "bench-0123456789ab-1.csv was shared."


def test_a_study_without_trips_still_times_the_arc(open_page: Any, hinge: Study, make_plan: Any):
    page = open_page(make_plan(replace(hinge, responses=hinge.responses[:1]), 6))
    page.go("W05")
    page.browser.click("#arc-key")
    assert page.browser.text("#arc-key") == "Stop"
    page.browser.click("#arc-key")
    assert "time" in page.rows()[4]
    assert page.rows()[4]["time"] != ""
