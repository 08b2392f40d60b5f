"""A picture of an etched section with known answers: every place to tap is a dot of its own colour."""

from __future__ import annotations

import functools
import math
from collections.abc import Mapping, Sequence

import numpy as np
from PIL import Image, ImageDraw

Point = tuple[float, float]

PX_PER_MM = 30.0
SIZE = (900, 720)
ORIGIN = (420.0, 330.0)
"""Where the root lies in the picture; in the section x goes to the right and y upwards, in mm."""

SECTION: Mapping[str, Point] = {
    "root": (0.0, 0.0),
    "toe A": (0.0, 5.2),
    "toe B": (6.1, 0.0),
    "face": (3.6, 3.4),
    "deepest": (-1.1, -1.3),
    "surface": (9.5, 0.0),
    "groove": (6.6, -0.45),
    "left": (-10.0, 0.0),
    "right": (12.0, 0.0),
    "below": (1.0, -10.0),
    "corner 1": (-12.0, 9.0),
    "corner 2": (14.0, 9.0),
    "corner 3": (14.0, -11.0),
    "corner 4": (-12.0, -11.0),
}
"""A T joint (invented), in mm."""

PORES = (((2.2, 1.4), 0.8), ((1.2, 3.0), 1.2))
"""Centre and diameter, in mm."""

TRUE: Mapping[str, float] = {
    "penetration": (1.1 + 1.3) / math.sqrt(2),
    "legA": 5.2,
    "legB": 6.1,
    "shorterLeg": 5.2,
    "throat": 5.2 * 6.1 / math.hypot(5.2, 6.1),
    "undercut": 0.45,
    "pores": 2,
    "poreSum": 2.0,
    "poreLargest": 1.2,
}

DOTS = [
    (255, 0, 0), (0, 160, 0), (0, 0, 255), (255, 0, 255), (0, 255, 255), (255, 128, 0), (128, 0, 255),
    (0, 255, 0), (255, 0, 128), (0, 128, 255), (140, 70, 0), (60, 0, 140), (0, 90, 90), (90, 60, 0),
]  # fmt: skip
COLOURS = dict(zip(SECTION, DOTS, strict=True))
"""Each place is a dot of its own colour, so that the taps go where a person would see it."""


def in_picture(point: Point) -> Point:
    return ORIGIN[0] + PX_PER_MM * point[0], ORIGIN[1] - PX_PER_MM * point[1]


@functools.cache
def draw_section() -> Image.Image:
    """Draw plates, weld, pores and dots four times as large, and make it smaller: soft edges, as in a photo."""
    fine = 4
    picture = Image.new("RGB", (SIZE[0] * fine, SIZE[1] * fine), (235, 235, 230))
    pen = ImageDraw.Draw(picture)

    def place(point: Point) -> Point:
        x, y = in_picture(point)
        return x * fine, y * fine

    def disc(point: Point, radius_mm: float, colour: tuple[int, int, int]) -> None:
        (x, y), r = place(point), radius_mm * PX_PER_MM * fine
        pen.ellipse([x - r, y - r, x + r, y + r], fill=colour)

    pen.rectangle([place((-12, 0)), place((14, -10))], fill=(120, 120, 120))
    pen.rectangle([place((-8, 9)), place((0, 0))], fill=(135, 135, 135))
    weld = [(0, 5.2), (3.6, 3.4), (6.1, 0), (6.6, -0.45), (4, -1.2), (-1.1, -1.3), (-0.8, 2)]
    pen.polygon([place(point) for point in weld], fill=(190, 190, 195))
    for centre, diameter in PORES:
        disc(centre, diameter / 2, (20, 20, 20))
    for name, point in SECTION.items():
        disc(point, 0.21, COLOURS[name])
    return picture.resize(SIZE, Image.Resampling.BOX)


def skewed(picture: Image.Image, corners: Sequence[Point]) -> Image.Image:
    """Show a picture as a camera that was not square on: its corners go where they are told.

    Pillow asks for the map from the new picture to the old one: the eight linear equations of a homography.
    """
    width, height = SIZE
    rows, right = [], []
    for (x, y), (u, v) in zip(corners, [(0, 0), (width, 0), (width, height), (0, height)], strict=True):
        rows += [[x, y, 1, 0, 0, 0, -u * x, -u * y], [0, 0, 0, x, y, 1, -v * x, -v * y]]
        right += [u, v]
    data = np.linalg.solve(np.array(rows, float), np.array(right, float)).tolist()
    return picture.transform(
        SIZE, Image.Transform.PERSPECTIVE, data, Image.Resampling.BICUBIC, fillcolor=(235, 235, 230)
    )


def dots(seen: Image.Image) -> dict[str, Point]:
    """Find each dot on the screen, by its colour."""
    pixels = np.asarray(seen).astype(np.int16)
    found = {}
    for name, colour in COLOURS.items():
        far = np.abs(pixels - colour).max(axis=2)
        rows, columns = np.nonzero(far < 30)
        assert len(rows) >= 5, f"{name} is not seen"
        found[name] = (float(columns.mean()) + 0.5, float(rows.mean()) + 0.5)
    return found


def pores_on(seen: Mapping[str, Point]) -> list[list[Point]]:
    """Give eight points round each pore, on the screen: the map from mm is that of the dots, fitted to all of them."""
    rows, right = [], []
    for name, (u, v) in seen.items():
        x, y = SECTION[name]
        rows += [[x, y, 1, 0, 0, 0, -u * x, -u * y], [0, 0, 0, x, y, 1, -v * x, -v * y]]
        right += [u, v]
    m = np.append(np.linalg.lstsq(np.array(rows), np.array(right), rcond=None)[0], 1.0).reshape(3, 3)
    outlines = []
    for (cx, cy), diameter in PORES:
        turns = np.arange(8) * math.pi / 4
        round_it = np.column_stack([cx + diameter / 2 * np.cos(turns), cy + diameter / 2 * np.sin(turns), np.ones(8)])
        on_screen = round_it @ m.T
        outlines.append([(float(x / w), float(y / w)) for x, y, w in on_screen])
    return outlines


def screen_mm(seen: Mapping[str, Point]) -> float:
    """Give how many mm one pixel of the screen is."""
    return 22.0 / math.dist(seen["left"], seen["right"])
