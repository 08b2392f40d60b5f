from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from doe.errors import CannotAnswerError, ResultsError, WouldOverwriteError
from doe.planning.edges import edge_beads, edges_table, read_edges, suggest_limits, write_edges
from doe.planning.making import plan_welds
from doe.planning.region import allowed
from doe.study import parse_study
from doe.study.model import Factor, PlanWishes, Response, Study

BAND = """
[study]
title = "Band"

[[factor]]
name = "voltage"
unit = "V"
low = 15
high = 25
step = 0.5

[[factor]]
name = "feed"
unit = "m/min"
low = 4
high = 10
step = 0.5

[[response]]
name = "penetration"
kind = "measure"
unit = "mm"
at_least = 1.2

[plan]
welds = 24
stages = [24]
repeats = 2
"""


def outcome(beads, ran):
    """Fill beads in, yes where the function of voltage and feed says so."""
    return tuple(replace(b, ran=bool(ran(b.settings[0], b.settings[1]))) for b in beads)


def corners(beads):
    return {(b.edge, b.settings[0], b.settings[1]) for b in beads}


def test_the_beads_stand_in_the_diagonal_corners_and_half_way(hinge):
    beads = edge_beads(hinge(limited=False))
    assert [b.bead for b in beads] == ["E1", "E2", "E3", "E4", "E5"]
    assert corners(beads) == {
        ("stubbing", 17.0, 9.0),
        ("burn-back", 22.3, 5.0),
        ("trip", 22.3, 9.0),
        ("stubbing", 18.4, 8.0),
        ("burn-back", 21.1, 6.0),
    }
    assert {b.settings[2] for b in beads} == {20.0}  # throw-away beads are welded cold


def test_beads_beyond_a_known_limit_are_left_out(hinge):
    # voltage - 0.9*feed <= 15 cuts 22.3 V with 5 m/min (17.8) and 21.1 V with 6 m/min (15.7)
    assert {b.edge for b in edge_beads(hinge())} == {"stubbing", "trip"}


def test_without_voltage_and_feed_there_is_no_pre_scan(cube):
    with pytest.raises(CannotAnswerError, match="along voltage and feed"):
        edge_beads(cube(2))


def test_limits_that_cut_the_edges_off_already_leave_nothing_to_scan(hinge):
    study = hinge()
    tight = replace(study, limits=(*study.limits, replace(study.limits[0], coefficients=(("feed", 1.0),), bound=7.0)))
    with pytest.raises(CannotAnswerError, match="already cut off the edges"):
        edge_beads(tight)


def write_filled(study: Study, folder: Path, answers: list[str]) -> None:
    lines = edges_table(study, edge_beads(study)).splitlines()
    body = [line.removesuffix(",,") + f",{a}" for line, a in zip(lines[2:], answers, strict=True)]
    (folder / "edges.csv").write_text("\n".join([*lines[:2], *body]))


def test_the_table_is_read_back_as_it_was_filled_in(hinge, tmp_path: Path):
    study = replace(hinge(limited=False), folder=tmp_path)
    assert write_edges(study).read_text() == edges_table(study, edge_beads(study))
    write_filled(study, tmp_path, ["no,pushed the torch away", "no,", "yes,", "yes,", ","])
    beads = read_edges(study)
    assert [b.ran for b in beads] == [False, False, True, True, None]
    assert beads[0].why == "pushed the torch away"
    assert corners(beads) == corners(edge_beads(study))
    with pytest.raises(WouldOverwriteError, match="is not overwritten"):
        write_edges(study)
    write_edges(study, replace=True)
    assert "pushed the torch away" in (tmp_path / "edges.1.csv").read_text()


def test_a_semicolon_table_from_a_spreadsheet_is_read(hinge, tmp_path: Path):
    study = replace(hinge(limited=False), folder=tmp_path)
    write_filled(study, tmp_path, ["no,", "yes,", "yes,", "yes,", "yes,"])
    path = tmp_path / "edges.csv"
    path.write_text("\ufeff" + path.read_text().replace(",", ";").replace("18.4", "18,4"), encoding="utf-8")
    assert corners(read_edges(study)) == corners(edge_beads(study))


def test_faults_are_listed_all_at_once_with_their_rows(hinge, tmp_path: Path):
    study = replace(hinge(limited=False), folder=tmp_path)
    write_filled(study, tmp_path, ["perhaps,", "yes,", "yes,", "yes,", "yes,"])
    path = tmp_path / "edges.csv"
    path.write_text(path.read_text().replace(",21.1,", ",high,"))
    with pytest.raises(ResultsError, match="2 faults") as caught:
        read_edges(study)
    assert [(f.row, f.column) for f in caught.value.faults] == [(3, "ran"), (7, "voltage [V]")]
    path.write_text("bead,ran\nE1,yes\n")
    with pytest.raises(ResultsError, match=r"lacks the columns looks for, voltage \[V\], feed \[m/min\], why"):
        read_edges(study)
    path.write_bytes(b"bead,ran\n\xff\xfe\n")
    with pytest.raises(ResultsError, match="not text in UTF-8"):
        read_edges(study)


def test_a_mark_without_calibration_is_read_by_its_place(tmp_path: Path):
    voltage = Factor("voltage", "voltage", "", (1.0, 2.0, 3.0, 4.0), ("A", "B", "C", "D"), calibrated=False)
    feed = Factor("feed", "feed", "m/min", tuple(np.arange(4.0, 9.0)), is_continuous=True)
    study = Study("Marks", (voltage, feed), (Response("y", "measure", "mm"),), plan=PlanWishes(), folder=tmp_path)
    write_filled(study, tmp_path, ["yes,"] * len(edge_beads(study)))
    assert corners(read_edges(study)) == corners(edge_beads(study))


def test_the_suggested_limit_is_read_by_the_study_and_keeps_its_promise():
    study = parse_study(BAND)
    beads = outcome(edge_beads(study), lambda v, f: abs(v - (15 + (f - 4) * 10 / 6)) <= 2)
    limits, notes = suggest_limits(study, beads)
    assert notes == ()
    assert [limit.why for limit in limits] == ["stubbing", "burn-back"]
    pasted = parse_study(BAND + "\n" + "\n".join(limit.to_toml() for limit in limits))
    assert len(pasted.limits) == 2
    kept = allowed(pasted, [b.settings for b in beads])
    assert kept.tolist() == [b.ran for b in beads]
    # by hand: coded, (feed - 7)/3 - (voltage - 20)/5 is 0 where it ran and at least 1 where it did not; a third of the
    # gap, times 3: feed - 0.6*voltage <= 7 - 12 + 1
    assert limits[0].rule == "-0.6*voltage + feed <= -4"


@pytest.mark.parametrize("seed", range(20))
def test_any_straight_edge_is_cut_and_every_bead_that_ran_is_kept(seed):
    rng = np.random.default_rng(seed)
    study = parse_study(BAND)
    slope, bound = rng.normal(size=2) / (10, 6), 0.0
    middle = slope @ (20.0, 7.0)
    bound = middle + 0.3 * rng.random()
    beads = outcome(edge_beads(study), lambda v, f: slope @ (v, f) <= bound)
    limits, _ = suggest_limits(study, beads)
    pasted = parse_study(BAND + "\n" + "\n".join(limit.to_toml() for limit in limits))
    assert allowed(pasted, [b.settings for b in beads]).tolist() == [b.ran for b in beads]


def test_beads_that_no_line_parts_are_told():
    study = parse_study(BAND)
    e1, e2, e3, e4, e5 = edge_beads(study)
    inside_out = [replace(e4, ran=False), *(replace(b, ran=True) for b in (e1, e2, e3, e5))]
    limits, notes = suggest_limits(study, inside_out)
    assert limits == ()
    assert notes == ("No straight line parts the beads that ran from those that did not (stubbing).",)


def test_where_no_bead_ran_the_middle_is_kept_and_said_to_be_assumed():
    study = parse_study(BAND)
    beads = [replace(b, ran=False) for b in edge_beads(study)]
    limits, notes = suggest_limits(study, beads)
    assert notes == (
        "No bead ran: the limits take it that the middle of the region does. Weld voltage 20 V with feed 7 m/min on "
        "scrap before planning.",
    )
    pasted = parse_study(BAND + "\n" + "\n".join(limit.to_toml() for limit in limits))
    assert allowed(pasted, [(20.0, 7.0)]).all()
    assert not allowed(pasted, [b.settings for b in beads]).any()


def test_a_middle_that_did_not_run_is_not_assumed_to():
    study = parse_study(BAND)
    failed = [replace(b, ran=False) for b in edge_beads(study)]
    limits, notes = suggest_limits(study, [*failed, replace(failed[0], bead="E6", settings=(20.0, 7.0))])
    assert limits == ()
    assert len(notes) == 3


def test_where_everything_ran_no_limit_is_suggested_and_a_blank_table_is_told():
    study = parse_study(BAND)
    beads = edge_beads(study)
    assert suggest_limits(study, outcome(beads, lambda v, f: True)) == (
        (),
        ("Every bead that was welded ran: no limit is needed.",),
    )
    with pytest.raises(CannotAnswerError, match="weld them and fill it in"):
        suggest_limits(study, beads)


def test_the_reason_is_the_welders_and_survives_quotes():
    study = parse_study(BAND)
    beads = [replace(b, why='"pops" \\ sticks') if b.bead == "E1" else b for b in edge_beads(study)]
    limits, _ = suggest_limits(study, outcome(beads, lambda v, f: v > 16))
    assert parse_study(BAND + limits[0].to_toml()).limits[0].why == '"pops" \\ sticks'


def straight(u, w, low, high):
    return (u - w <= high) & (u - w >= -low)


def curved(u, w, low, high):
    return straight(u - 0.3 * (w**2 - 0.3), w, low, high)


def wedge(u, w, low, high):
    return straight(u, w, low + 0.25 * w, high + 0.25 * w)


def with_a_trip(u, w, low, high):
    return straight(u, w, low, high) & (u + w <= 1.3)


def usable(shape, seed):
    """Draw a band of a shape: slope, place and sides by chance, in coded voltage and feed."""
    rng = np.random.default_rng(seed)
    slope, offset = rng.uniform(0.7, 1.4), rng.uniform(-0.25, 0.25)
    low, high = rng.uniform(0.3, 0.7, 2)
    return lambda v, f: shape((v - 20) / 5 - offset, slope * (f - 7) / 3, low, high)


@pytest.fixture(scope="module")
def without_limits():
    return plan_welds(parse_study(BAND), seed=1, starts=16).settings


@pytest.mark.parametrize("shape", [straight, curved, wedge, with_a_trip])
def test_on_a_diagonal_band_the_limits_save_more_welds_than_the_beads_cost(shape, without_limits):
    study = parse_study(BAND)
    lost_without = lost_with = 0.0
    for seed in range(500, 506):
        ran = usable(shape, seed)
        beads = outcome(edge_beads(study), ran)
        limits, _ = suggest_limits(study, beads)
        pasted = parse_study(BAND + "\n" + "\n".join(limit.to_toml() for limit in limits))
        assert allowed(pasted, [b.settings for b in beads]).tolist() == [b.ran for b in beads]
        lost_without += np.sum(~ran(*without_limits.T)) / 6
        lost_with += (np.sum(~ran(*plan_welds(pasted, seed=1, starts=4).settings.T)) + len(beads)) / 6
    assert lost_with < lost_without - 1


def test_a_quotation_mark_left_open_does_not_take_the_next_rows(hinge, tmp_path: Path):
    study = replace(hinge(limited=False), folder=tmp_path)
    path = write_edges(study)
    path.write_text(path.read_text().replace("E1,", '"E1,', 1))
    with pytest.raises(ResultsError, match=r"edges\.csv"):
        read_edges(study)
