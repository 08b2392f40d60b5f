from __future__ import annotations

from doe.bench.alike import told_together
from doe.bench.results import Conversion


def of(row: int, found: str, read_as: str, column: str = "length [in]") -> Conversion:
    return Conversion("results.csv", row, column, found, read_as)


def test_a_column_in_another_unit_is_told_once():
    lines = told_together([of(row, f"{row}.5 in", f"{row * 25} mm") for row in range(10, 16)])
    assert lines == (
        ("results.csv, 6 cells from row 10 to 15, “length [in]”", "10.5 in, and so on", "250 mm, and so on"),
    )


def test_a_few_are_told_one_by_one():
    lines = told_together([of(row, "1.5 in", "38.1 mm") for row in (10, 11, 12)])
    assert [place for place, *_ in lines] == [f"results.csv, row {row}, “length [in]”" for row in (10, 11, 12)]


def test_the_odd_one_of_a_column_stands_by_itself():
    many = [of(row, "1.5 in", "38.1 mm") for row in range(10, 15)]
    lines = told_together([*many, of(15, "2 ft", "609.6 mm"), of(16, "1,5", "1.5")])
    assert len(lines) == 3
    assert lines[1] == ("results.csv, row 15, “length [in]”", "2 ft", "609.6 mm")
    assert lines[2][1:] == ("1,5", "1.5")


def test_words_are_never_told_together():
    lines = told_together([of(row, "n", "no", "trip") for row in range(10, 20)])
    assert len(lines) == 10


def test_columns_are_told_apart():
    both = [of(row, "1.5 in", "38.1 mm", column) for column in ("a", "b") for row in range(5)]
    assert len(told_together(both)) == 2


def test_what_every_row_lacks_is_told_once_and_without_a_column():
    lines = told_together([of(row, "no plate given", f"a plate of its own, (W{row})", "") for row in range(2, 9)])
    assert lines == (("results.csv, 7 rows from row 2 to 8", "no plate given", "a plate of its own, (W2), and so on"),)


def test_a_column_of_decimal_commas_is_told_once_and_an_odd_one_by_itself():
    commas = [of(row, f"{row},0 mm", f"{row} mm", "penetration [mm]") for row in range(2, 8)]
    lines = told_together([*commas, of(8, "3/32 in", "2.38125 mm", "penetration [mm]")])
    assert lines == (
        ("results.csv, 6 cells from row 2 to 7, “penetration [mm]”", "2,0 mm, and so on", "2 mm, and so on"),
        ("results.csv, row 8, “penetration [mm]”", "3/32 in", "2.38125 mm"),
    )
