"""The results as a table, and as check prints them."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
import pytest

from doe.bench import read_results
from doe.study.model import Response


def test_a_table_has_a_row_a_weld_and_every_reading(study, filled, write):
    filled[1] |= {"status": "scrapped", "feed actual [m/min]": "6.2"}
    write(filled)
    frame = read_results(study.folder, study).to_frame()
    settings = ["voltage mark", "voltage [V]", "feed [m/min]", "preheat [degC]"]
    assert list(frame.columns[:10]) == ["weld", "plate", "position", "order", *settings, "role", "status"]
    assert list(frame["weld"]) == ["W01", "W02", "W03", "W04", "W05", "W06"]
    assert frame.loc[1, "feed [m/min]"] == 6.2
    assert pd.isna(frame.loc[1, "penetration [mm]"])
    assert frame.loc[5, "trip time [s]"] == 12
    assert frame.loc[5, "porosity length [mm]"] == 80
    assert list(frame["root fused"].dropna()) == [1, 1, 0, 1, 1]
    assert frame.loc[2, "plate temperature [degC]"] == 70


def test_a_row_without_a_reading_and_a_setting_between_two_marks_are_no_fault(study, filled, write):
    filled[0] |= {"voltage actual [V]": "17.3"}
    write(filled[:3])
    frame = read_results(study.folder, study).to_frame()
    assert pd.isna(frame.loc[0, "voltage mark"])
    assert frame.loc[0, "voltage [V]"] == 17.3
    assert frame.set_index("weld")["status"].get("W06", "not run") == "not run"


def test_results_without_a_fault_are_told_as_check_tells_them(study, filled, write):
    filled[0]["penetration [mm]"] = "1,5"
    write(filled)
    told = read_results(study.folder, replace(study, responses=(*study.responses, Response("leg", "measure", "mm"))))
    answer = told.to_dict()
    assert set(answer) == {"schema", "welds", "faults", "conversions", "questions"}
    assert answer["welds"] == 6
    assert [c["read_as"] for c in answer["conversions"]] == ["1.5 mm"]
    assert pytest.approx(1.5) == told.to_frame().loc[0, "penetration [mm]"]
