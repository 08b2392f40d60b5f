"""Differences at settings that a person names, read as a cell of results.csv would be."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from doe.errors import CannotAnswerError, DoeError
from doe.study.model import Factor, Limit
from doe.window import compare_kinds, compare_studies
from doe.window.compare_words import comparison_sentences
from doe.window.named_settings import named_settings
from doe.window.sides import kind_sides, study_sides

MARKED = Factor("voltage", "voltage", "V", (17.0, 18.4, 19.6, 21.1, 22.3), ("1", "2", "3", "4", "5"))
FEED = Factor("feed", "feed", "m/min", tuple(np.arange(10, 19) / 2.0))
LETTERED = Factor("tap", values=(0.0, 1.0, 2.0), marks=("A", "B", "C"), unit="mark", calibrated=False)
DIAL = Factor("dial", "feed", "m/min", (3.0, 3.5, 4.0, 5.5), ("2", "4", "5", "6"))
WIRE = Factor("wire", kinds=("A", "B"))


def fit_of(bench, *factors, top=2.0, **more):
    study = bench.study(factors=factors, **more)
    return bench.fit(study, {"penetration": bench.hill(study, top=top)})


def read(bench, factors, *texts):
    fit = fit_of(bench, *factors)
    return named_settings(texts, study_sides((fit, fit), seed=1))


@pytest.mark.parametrize(
    ("text", "settings"),
    [
        ("voltage=3, feed=7", (19.6, 7.0)),
        ("feed=6,5, voltage=mark 2", (18.4, 6.5)),
        ("Voltage = 19.6 V; feed = 7 m/min", (19.6, 7.0)),
        ("voltage=3.0, feed=276 in/min", (19.6, 7.0)),  # 276 in/min is 7.01 m/min: the step that was meant
    ],
)
def test_marks_and_values_are_read_as_in_the_tables(bench, text, settings):
    assert read(bench, (MARKED, FEED), text) == (settings,)


def test_letters_are_known_by_name(bench):
    assert read(bench, (LETTERED, FEED), "tap=b, feed=5", "tap=mark C, feed=9") == ((1.0, 5.0), (2.0, 9.0))


def test_a_setting_named_twice_is_told_of_once(bench):
    assert read(bench, (MARKED, FEED), "voltage=3,feed=7", "feed=7,voltage=19.6") == ((19.6, 7.0),)


def test_what_may_be_a_mark_and_a_value_is_refused_with_both_readings(bench):
    with pytest.raises(DoeError, match="--at is not understood") as refused:
        read(bench, (DIAL, FEED), "dial=4, feed=7")
    (fault,) = refused.value.faults
    assert "“4” can be read as 4 m/min or as mark 4 (3.5 m/min)" in fault.message
    assert read(bench, (DIAL, FEED), "dial=mark 4, feed=7") == ((3.5, 7.0),)
    assert read(bench, (DIAL, FEED), "dial=4 m/min, feed=7") == ((4.0, 7.0),)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("voltage=3", "does not say feed"),
        ("voltage=3, fed=7", "“fed” is no factor: known are voltage, feed. Did you mean “feed”?"),
        ("voltage=3, feed", "“voltage=3, feed” does not say"),
        ("voltage=3, feed=7, feed=8", "“feed” is given twice"),
        ("voltage=mark 9, feed=7", "“9” is no mark of voltage: known are 1, 2, 3, 4, 5."),
        ("voltage=3, feed=fast", "“fast” is not a quantity"),
        ("voltage=3, feed=7 kg", "kg"),
        ("voltage=3, feed=?", "“?” is no value"),
        ("", "“” is no setting: write name=value"),
    ],
)
def test_what_is_not_understood_is_said(bench, text, says):
    with pytest.raises(DoeError) as refused:
        read(bench, (MARKED, FEED), text)
    assert refused.value.exit_code == 3
    assert says in str(refused.value)


def test_every_fault_is_said_at_once(bench):
    with pytest.raises(DoeError) as refused:
        read(bench, (MARKED, FEED), "voltage=mark 9, feed=fast", "voltage=3")
    assert [fault.key for fault in refused.value.faults] == ["--at, voltage", "--at, feed", "--at"]


def test_nothing_is_said_where_one_side_cannot_be_set_or_was_not_welded(bench):
    limit = Limit((("voltage", 1.0),), 21.0, "voltage <= 21")
    free, limited = fit_of(bench, MARKED, FEED), fit_of(bench, MARKED, FEED, limits=(limit,))
    sides = study_sides((free, replace_title(limited, "limited")), seed=1)
    with pytest.raises(CannotAnswerError) as refused:
        named_settings(["voltage=4, feed=7", "voltage=3, feed=7.2", "voltage=3, feed=7"], sides)
    said = [fault.message for fault in refused.value.faults]
    assert said[0] == "voltage 4 (21.1 V), feed 7 m/min cannot be set on limited, or a limit forbids it"
    assert {line.partition(" cannot")[0] for line in said[1:]} == {"voltage 3 (19.6 V), feed 7.2 m/min"}
    study = bench.study(factors=(MARKED, FEED))
    corners = bench.corners(study)
    small = bench.results(study, np.column_stack([corners[:, 0], np.minimum(corners[:, 1], 7.0)]))
    half = bench.fit(study, {"penetration": bench.hill(study)}, results=small)
    with pytest.raises(CannotAnswerError, match="nothing can be said at every setting") as refused:
        named_settings(["voltage=3, feed=8"], study_sides((free, replace_title(half, "slow")), seed=1))
    (fault,) = refused.value.faults
    assert fault.message.endswith("lies beyond what was welded on slow, and nothing is said there")


def replace_title(fit, title):
    return replace(fit, results=replace(fit.results, study=replace(fit.results.study, title=title)))


def test_differences_are_told_there_and_nowhere_else(bench):
    first, second = fit_of(bench, MARKED, FEED), replace_title(fit_of(bench, MARKED, FEED, top=2.3), "deeper")
    comparison = compare_studies(first, second, seed=3, at=["voltage=2, feed=8", "voltage=3, feed=7"])
    assert [place.settings for place in comparison.places] == [(18.4, 8.0), (19.6, 7.0)]
    assert {place.why for place in comparison.places} == {"as asked"}
    assert [place.differences[0].difference for place in comparison.places] == pytest.approx([0.3, 0.3], abs=0.02)
    assert "At voltage 2 (18.4 V), feed 8 m/min (as asked):" in comparison_sentences(comparison)
    unasked = compare_studies(first, second, seed=3)
    assert unasked.verdict == comparison.verdict
    assert {place.why for place in unasked.places}.isdisjoint({"as asked"})


def test_between_kinds_the_kind_is_not_named(bench):
    study = bench.study(factors=(MARKED, FEED, WIRE))
    settings = np.vstack([bench.corners(study)] * 2)
    fit = bench.fit(study, {"penetration": bench.hill(study)}, results=bench.results(study, settings))
    comparison = compare_kinds(fit, at=["voltage=3, feed=7"])
    (place,) = comparison.places
    assert place.settings == (19.6, 7.0, 0.0)
    assert "At voltage 3 (19.6 V), feed 7 m/min (as asked):" in comparison_sentences(comparison)
    with pytest.raises(DoeError, match="“wire” is what is compared: leave it out"):
        named_settings(["voltage=3, feed=7, wire=A"], kind_sides(fit, factor=None, seed=1))
