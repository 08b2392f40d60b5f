"""CSV: which letters, which separator, which rows."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from typing import Final

from doe.bench.sheets import Cell, Row, Sheet, check_size, tidy
from doe.errors import Fault, ResultsError
from doe.planning.table import plain_cell

SEPARATORS: Final = {"comma": ",", "semicolon": ";", "tab": "\t"}
"""The separators that are tried, by the name they are listed under."""


def read_text_sheets(file: str, data: bytes) -> list[Sheet]:
    """Cut a text file by each separator in turn; which cut is right is told by the headings.

    Parameters
    ----------
    file : str
        The file's name, for the messages.
    data : bytes
        Its contents.

    Returns
    -------
    list of Sheet
        One a separator.

    Raises
    ------
    ResultsError
        If it is not text, or too large.
    """
    text, encoding = decode(file, data)
    return [_cut(file, text, name, encoding) for name in SEPARATORS]


def decode(file: str, data: bytes) -> tuple[str, str]:
    """Turn bytes into text: UTF-8, UTF-16 or Windows-1252, with or without a byte order mark.

    Returns
    -------
    text, encoding : str

    Raises
    ------
    ResultsError
        If the bytes are not text.
    """
    for codec, name in _likely_codecs(data):
        try:
            text = data.decode(codec)
        except UnicodeDecodeError:
            continue
        if "\0" not in text:
            return text, name
    message = f"{file} is not a table that can be read."
    raise ResultsError(message, [Fault("this is not text: save it from the spreadsheet as .csv or .xlsx", file)])


def _likely_codecs(data: bytes) -> list[tuple[str, str]]:
    """Give codec and name in the order to try; without a mark, UTF-16 is told by its zero bytes."""
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return [("utf-16", "UTF-16")]
    start = data[:2000]
    if len(data) % 2 == 0 and start.count(0) > len(start) / 4:
        big = start[0::2].count(0) > start[1::2].count(0)
        return [("utf-16-be" if big else "utf-16-le", "UTF-16")]
    return [("utf-8-sig", "UTF-8"), ("cp1252", "Windows-1252")]


def _cut(file: str, text: str, name: str, encoding: str) -> Sheet:
    rows: list[Row] = []
    fault = None
    widest = 0
    try:
        for row in _rows(text, SEPARATORS[name]):
            if row.is_blank or (row.number == 1 and row.cells[0].text.lower().startswith("sep=")):
                continue
            rows.append(row)
            widest = max(widest, len(row.cells) if not row.is_comment else 0)
            check_size(file, len(rows), widest)
    except csv.Error:
        after = rows[-1].number if rows else 0
        fault = Fault(
            'a quotation mark (") that opens a cell is not closed, or something follows it: '
            "close it, or take it out (inches can be written as in)",
            file,
            row=after + 1,
        )
    return Sheet(file, "text", name, tuple(rows), encoding, fault)


def _rows(text: str, separator: str) -> Iterator[Row]:
    """Give each row, numbered by the line it begins on: a quoted cell may hold line breaks."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    begins = 1
    for values in reader:
        yield Row(begins, tuple(Cell(plain_cell(tidy(value))) for value in _without_blank_end(values)), len(values))
        begins = reader.line_num + 1


def _without_blank_end(values: list[str]) -> list[str]:
    end = len(values)
    while end and not values[end - 1].strip():
        end -= 1
    return values[:end]
