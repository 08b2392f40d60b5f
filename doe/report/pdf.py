"""Paper: fonts, header and footer, and the few shapes every sheet is made of. Black and white; sizes in mm."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Final, Literal

import matplotlib as mpl
from fpdf import FPDF

PaperSize = Literal["A4", "Letter", "A6", "index card"]

SIZES_MM: Final = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4), "A6": (105.0, 148.0), "index card": (101.6, 152.4)}
"""Width and height of each paper. ISO 216 for A4 and A6; 8.5 x 11 in and 4 x 6 in."""

LINE_MM: Final = 0.41
"""Height of a line for each point of its size: 1.16 times the size. [mm/pt]. Our choice."""
READABLE_PT: Final = 6
"""The size down to which words are kept whole. [pt]. Our choice."""
SMALLEST_PT: Final = 4
"""The smallest size printed. [pt]. Our choice."""

_NO_DATE: Final = datetime(2000, 1, 1, tzinfo=UTC)
"""Written as the creation date, so that the same study makes the same bytes."""


class Sheet(FPDF):
    """A sheet of paper with a running header and footer.

    Parameters
    ----------
    title : str
        In the header of every page.
    foot : str
        In the footer of every page, before the page number.
    size : {"A4", "Letter", "A6", "index card"}
    margin_mm : float
    """

    def __init__(self, title: str, *, foot: str, size: PaperSize = "A4", margin_mm: float = 12.0) -> None:
        super().__init__(unit="mm", format=SIZES_MM[size])
        self.title_text, self.foot_text = title, foot
        fonts = Path(mpl.get_data_path()) / "fonts" / "ttf"
        self.add_font("house", "", fonts / "DejaVuSans.ttf")
        self.add_font("house", "B", fonts / "DejaVuSans-Bold.ttf")
        self.set_margin(margin_mm)
        self.foot_mm = margin_mm + 5
        self.set_auto_page_break(True, margin=self.foot_mm + 1)
        self.set_creation_date(_NO_DATE)
        self.set_title(title)
        self.set_lang("en")
        self.set_draw_color(0)
        self.set_line_width(0.25)
        self.alias_nb_pages()

    def header(self) -> None:
        """Print the title at the head of every page."""
        self.text_line(self.title_text, size=9, bold=True)
        self.set_line_width(0.4)
        self.line(self.l_margin, self.get_y(), self.w - self.r_margin, self.get_y())
        self.set_line_width(0.25)
        self.ln(2)

    def footer(self) -> None:
        """Print the footer and the page number."""
        self.set_y(self.h - self.foot_mm)
        self.set_font("house", "", 7)
        self.cell(0, 4, self.foot_text)
        self.set_y(self.h - self.foot_mm)
        self.cell(0, 4, f"page {self.page_no()} of {{nb}}", align="R")

    def text_line(self, text: str, *, size: float = 9, bold: bool = False) -> None:
        """Print one paragraph over the full width."""
        self.set_font("house", "B" if bold else "", size)
        self.multi_cell(0, size * 0.48, text, new_x="LMARGIN", new_y="NEXT", align="L")

    def height_of(self, text: str, *, size: float = 9, bold: bool = False) -> float:
        """Give the height one paragraph over the full width takes. [mm]."""
        self.set_font("house", "B" if bold else "", size)
        return len(self._wrapped(text, self.epw - 2 * self.c_margin, may_break=True)) * size * 0.48

    def text_at(self, x: float, y: float, text: str, *, size: float = 9, bold: bool = False) -> None:
        """Print a short text with its baseline at a place."""
        self.set_font("house", "B" if bold else "", size)
        self.text(x, y, text)

    def fitted(self, x: float, y: float, text: str, *, width: float, size: float) -> None:
        """Print a bold text at a place, smaller where it would be wider than the room it has."""
        self.set_font("house", "B", size)
        wide = self.get_string_width(text)
        self.text_at(x, y, text, size=size * min(1.0, width / wide) if wide else size, bold=True)

    def boxed(  # noqa: PLR0913 - a drawing call: what, where, how wide, how high, how large
        self, x: float, bottom: float, text: str, *, width: float, height: float, size: float, bold: bool = True
    ) -> None:
        """Print a text as large as its room allows, on as many lines as fit; the last baseline is at ``bottom``.

        Words stay whole down to the size that can just be read; below it they are broken, and nothing is left out.
        """
        lines, size = self._fitting(text, width=width, height=height, size=size, bold=bold)
        for i, line in enumerate(reversed(lines)):
            self.text_at(x, bottom - i * size * LINE_MM, line, size=size, bold=bold)

    def _fitting(self, text: str, *, width: float, height: float, size: float, bold: bool) -> tuple[list[str], float]:
        """Find the largest size at which a text fits a box, and its lines."""
        for halves in range(round(2 * size), 2 * SMALLEST_PT - 1, -1):
            self.set_font("house", "B" if bold else "", halves / 2)
            lines = self._wrapped(text, width, may_break=halves / 2 <= READABLE_PT)
            if len(lines) * halves / 2 * LINE_MM <= height and all(self.get_string_width(s) <= width for s in lines):
                break
        return lines, halves / 2

    def _wrapped(self, text: str, width: float, *, may_break: bool) -> list[str]:
        """Cut a text into lines at its blanks, and inside a word where that is allowed and needed."""
        lines = [""]
        for word in text.split():
            longer = f"{lines[-1]} {word}".strip()
            if self.get_string_width(longer) <= width or not lines[-1]:
                lines[-1] = longer
            else:
                lines.append(word)
            while may_break and self.get_string_width(lines[-1]) > width:
                whole = lines[-1]
                n = next(n for n in range(len(whole) - 1, 0, -1) if n == 1 or self.get_string_width(whole[:n]) <= width)
                lines[-1:] = [whole[:n], whole[n:]]
        return lines

    def tick_box(self, x: float, y: float, *, label: str = "", side: float = 3.2, size: float = 8) -> float:
        """Draw an empty box with a label on the same baseline; return the x behind it."""
        self.rect(x, y - side + 0.4, side, side)
        self.text_at(x + side + 1, y, label, size=size)
        return float(x + side + 1 + self.get_string_width(label) + 3)

    def blank(self, x: float, y: float, *, label: str, width: float, unit: str = "", size: float = 8) -> float:
        """Draw a label, a line to write on and a unit on one baseline; return the x behind it."""
        self.text_at(x, y, label, size=size)
        start = x + self.get_string_width(label) + 1
        self.line(start, y + 0.6, start + width, y + 0.6)
        self.text_at(start + width + 0.8, y, unit, size=size)
        return float(start + width + 0.8 + self.get_string_width(unit) + 3)

    def room_left(self) -> float:
        """Give the height left on the page. [mm]."""
        return float(self.h - self.b_margin - self.get_y())
