"""Whole tables there and back, in any unit and any spelling; and random bytes, which are only ever refused."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from doe.bench import examine_results, read_results, results_table
from doe.bench.cells import CellReader, Units
from doe.bench.log import Log, Place
from doe.bench.results import Counts, Measurement, Passes, Results, Trips
from doe.bench.sheets import Cell
from doe.bench.text_tables import read_text_sheets
from doe.errors import ResultsError
from doe.planning.plan import Plan
from doe.study.model import Study

SOME = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
PLACE = Place("results.csv", 2, "x")


def quantity(text: str, units: Units) -> tuple[float | None, Log]:
    log = Log()
    amount = CellReader(log, decimal_commas=False).quantity(Cell(text), PLACE, units)
    return (None if amount is None else amount.value), log


@SOME
@given(st.floats(-1e6, 1e6), st.integers(0, 6), st.booleans())
def test_a_decimal_is_read_as_typed(value: float, digits: int, has_comma: bool) -> None:
    text = f"{value:.{digits}f}"
    typed = text.replace(".", ",") if has_comma else text
    found, log = quantity(typed, Units("mm"))
    if found is None:
        # Only a comma before exactly three digits may be refused: it could be of thousands.
        assert has_comma
        assert digits == 3
        assert "can be read as" in log.faults[0].message
    else:
        assert found == float(text)
        assert bool(log.conversions) == (has_comma and digits > 0)


@SOME
@given(st.integers(0, 40), st.integers(1, 63), st.sampled_from([2, 4, 8, 16, 32, 64]))
def test_a_fraction_of_an_inch_is_read_in_millimetres(whole: int, top: int, bottom: int) -> None:
    top %= bottom
    text = f"{whole} {top}/{bottom} in" if whole else f'{top}/{bottom}"'
    found, log = quantity(text, Units("mm"))
    assert found == pytest.approx((whole + top / bottom) * 25.4)
    assert log.conversions[0].read_as.endswith("mm")


@SOME
@given(st.text(max_size=30))
def test_any_text_is_read_or_refused_with_its_place(text: str) -> None:
    found, log = quantity(text, Units("mm", "in"))
    if found is None:
        assert all((fault.file, fault.row, fault.column) == ("results.csv", 2, "x") for fault in log.faults)
    else:
        assert np.isfinite(found)


WELD = st.fixed_dictionaries(
    {
        "status": st.sampled_from(["done", "aborted", "scrapped", ""]),
        "penetration [mm]": st.one_of(st.none(), st.integers(0, 9999).map(lambda n: n / 1000)),
        "penetration 2 [mm]": st.one_of(st.none(), st.integers(0, 999).map(lambda n: n / 100)),
        "porosity": st.one_of(st.none(), st.integers(0, 60)),
        "porosity length [mm]": st.one_of(st.none(), st.integers(10, 150)),
        "trip": st.sampled_from(["yes", "no", ""]),
        "trip time [s]": st.one_of(st.none(), st.integers(1, 900).map(lambda n: n / 10)),
        "root fused": st.sampled_from(["yes", "no", ""]),
        "plate temperature [degC]": st.one_of(st.none(), st.integers(-20, 200)),
        "stick-out [mm]": st.one_of(st.none(), st.integers(10, 250).map(lambda n: n / 10)),
        "notes": st.text(st.characters(codec="utf-8", exclude_categories=["Cc", "Cs"]), max_size=12).filter(
            lambda text: "##" not in text  # a spreadsheet's sign for a cell that is too narrow
        ),
    }
)
Filled = list[dict[str, object]]


def text_table(plan: Plan, filled: Filled, separator: str, spell: Callable[[str, object], str]) -> str:
    """Fill the blank table in, each value spelt by its heading."""
    rows = list(csv.DictReader(line for line in results_table(plan).splitlines() if not line.startswith("#")))
    headings = [*rows[0], "penetration 2 [mm]"]
    text = io.StringIO()
    writer = csv.writer(text, delimiter=separator, lineterminator="\n")
    writer.writerow(headings)
    for row, values in zip(rows, filled, strict=True):
        cells = {**row, **{h: "" if v is None else spell(h, v) for h, v in values.items()}}
        writer.writerow([cells[h] for h in headings])
    return text.getvalue()


def values_of(results: Results, name: str) -> tuple[np.ndarray, ...]:
    readings = results.readings[name]
    if isinstance(readings, Measurement):
        return (readings.values,)
    if isinstance(readings, Counts):
        return readings.counts, readings.length_mm
    if isinstance(readings, Trips):
        return readings.tripped, readings.time_s
    assert isinstance(readings, Passes)
    return (readings.passed,)


def number(value: object) -> float:
    if value in ("yes", "no"):
        return float(value == "yes")
    return float(value) if isinstance(value, int | float) else np.nan


@SOME
@given(st.lists(WELD, min_size=6, max_size=6), st.sampled_from([(",", "."), (";", "."), (";", ","), ("\t", ",")]))
def test_a_filled_table_is_read_as_filled(planned: Study, plan: Plan, filled: Filled, signs: tuple[str, str]) -> None:
    separator, point = signs

    def spell(_: str, value: object) -> str:
        if isinstance(value, float) and point == ",":
            # Two digits behind a comma cannot be taken for thousands.
            return f"{value:.4f}".replace(".", ",")
        return str(value)

    path = planned.folder / "results.csv"
    path.write_text(text_table(plan, filled, separator, spell), encoding="utf-8", newline="")
    results = read_results(path, planned)
    kept = [np.nan if row["status"] == "scrapped" else 1.0 for row in filled]

    def typed(heading: str) -> np.ndarray:
        return np.array([number(row[heading]) for row in filled])

    first, second = (
        values_of(results, "penetration")[0].T
        if values_of(results, "penetration")[0].shape[1] == 2
        else (
            values_of(results, "penetration")[0][:, 0],
            np.full(6, np.nan),
        )
    )
    assert_allclose(first, typed("penetration [mm]") * kept)
    assert_allclose(second, typed("penetration 2 [mm]") * kept)
    counts, lengths = values_of(results, "porosity")
    assert_allclose(counts, typed("porosity") * kept)
    given_lengths = np.where(np.isnan(typed("porosity length [mm]")), 100.0, typed("porosity length [mm]"))
    assert_allclose(lengths, np.where(np.isnan(counts), np.nan, given_lengths))
    tripped, times = values_of(results, "trip")
    assert_allclose(tripped, typed("trip"))
    assert_allclose(times, typed("trip time [s]"))
    assert_allclose(values_of(results, "root fused")[0], typed("root fused") * kept)
    assert_allclose(results.conditions["plate temperature [degC]"], typed("plate temperature [degC]"))
    assert_allclose(results.settings, plan.settings)


US = {
    "penetration [mm]": ("penetration [in]", lambda v: f"{v / 25.4:.5f}"),
    "penetration 2 [mm]": ("penetration 2 (in)", lambda v: f"{v / 25.4:.5f}"),
    "porosity length [mm]": ("porosity length [in]", lambda v: f"{v / 25.4:.4f}"),
    "trip time [s]": ("trip time [min]", lambda v: f"{v / 60:.5f}"),
    "plate temperature [degC]": ("plate temperature (°F)", lambda v: f"{v * 1.8 + 32:.1f}"),
    "stick-out [mm]": ("stick-out_in", lambda v: f"{v / 25.4:.4f}"),
    "feed [m/min]": ("feed (ipm)", lambda v: f"{float(v) / 0.0254:.1f}"),
    "preheat [degC]": ("preheat [degF]", lambda v: f"{float(v) * 1.8 + 32:.0f}"),
}


@SOME
@given(st.lists(WELD, min_size=6, max_size=6))
def test_a_table_typed_in_inches_and_fahrenheit_equals_the_metric_one(
    planned: Study, plan: Plan, filled: Filled
) -> None:
    path: Path = planned.folder / "results.csv"
    metric_text = text_table(plan, filled, ",", lambda _, v: str(v))
    path.write_text(metric_text, encoding="utf-8", newline="")
    metric = read_results(path, planned)
    rows = list(csv.reader(io.StringIO(metric_text)))
    for j, heading in enumerate(rows[0]):
        if heading in US:
            rows[0][j] = US[heading][0]
            for row in rows[1:]:
                row[j] = US[heading][1](float(row[j])) if row[j] else ""
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows(rows)
    path.write_text(text.getvalue(), encoding="utf-8", newline="")
    us = read_results(path, planned)
    assert us.status == metric.status
    np.testing.assert_array_equal(us.settings, metric.settings)
    for name in metric.readings:
        for mine, theirs in zip(values_of(us, name), values_of(metric, name), strict=True):
            assert_allclose(mine, theirs, rtol=1e-4, atol=4e-4)
    for key, values in metric.conditions.items():
        assert_allclose(us.conditions[key], values, rtol=1e-3, atol=0.03 if "degC" in key else 2e-3)


@SOME
@given(st.binary(max_size=400))
def test_random_bytes_are_only_ever_refused(study: Study, data: bytes) -> None:
    path = study.folder / "results.csv"
    path.write_bytes(data)
    with pytest.raises(ResultsError, match="cannot be used"):
        read_results(path, study)


@SOME
@given(
    st.binary(max_size=300),
    st.sampled_from([b"PK\x03\x04", b"\xff\xfe", b"\xef\xbb\xbf", b"weld,voltage\n", b'weld;"']),
)
def test_random_bytes_behind_a_likely_start_are_only_ever_refused(study: Study, data: bytes, start: bytes) -> None:
    path = study.folder / "results.csv"
    path.write_bytes(start + data)
    with pytest.raises(ResultsError, match="cannot be used"):
        read_results(path, study)


@SOME
@given(st.integers(0, 3000), st.binary(min_size=1, max_size=6))
def test_a_table_with_a_few_bytes_changed_is_read_or_refused(planned: Study, plan: Plan, at: int, data: bytes) -> None:
    whole = results_table(plan).encode()
    path = planned.folder / "results.csv"
    path.write_bytes(whole[: at % len(whole)] + data + whole[at % len(whole) :])
    examination = examine_results(path, planned)
    assert (examination.results is None) == bool(examination.faults)


@SOME
@given(st.lists(st.lists(st.text(max_size=8), min_size=1, max_size=6), min_size=1, max_size=8))
def test_any_cells_under_good_headings_are_read_or_refused(study: Study, cells: list[list[str]]) -> None:
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow(["weld", "voltage mark", "feed [m/min]", "preheat [degC]", "penetration [mm]", "porosity"])
    writer.writerows(cells)
    path = study.folder / "results.csv"
    path.write_text(text.getvalue(), encoding="utf-8", newline="", errors="surrogatepass")
    examination = examine_results(path, replace(study))
    assert (examination.results is None) == bool(examination.faults)


LETTERS = st.characters(codec="utf-8", exclude_categories=["Cc", "Cs", "Zl", "Zp"])
CELL = st.text(st.one_of(LETTERS, st.just("\n")), max_size=8).map(lambda text: f"a{text}b")


@SOME
@given(st.lists(st.lists(CELL, min_size=1, max_size=4), min_size=1, max_size=6))
def test_rows_are_numbered_by_the_line_they_begin_on(rows: list[list[str]]) -> None:
    text = io.StringIO()
    csv.writer(text, quoting=csv.QUOTE_ALL, lineterminator="\n").writerows(rows)
    lines = [1 + sum(cell.count("\n") for cell in row) for row in rows]
    sheet = read_text_sheets("t.csv", text.getvalue().encode())[0]
    assert [row.number for row in sheet.rows] == [1 + sum(lines[:i]) for i in range(len(rows))]
    assert [[cell.text for cell in row.cells] for row in sheet.rows] == rows
