"""The geometry of the macro page, each formula against another route or a published one."""

from __future__ import annotations

import hashlib
import math
from importlib.resources import files
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.spatial.distance import pdist

pytestmark = pytest.mark.browser

CORNERS = [[120.0, 80.0], [905.0, 140.0], [860.0, 700.0], [75.0, 610.0]]
"""Four corners in a picture (invented)."""
RECTANGLE = [[0.0, 0.0], [40.0, 0.0], [40.0, 30.0], [0.0, 30.0]]
"""Where they lie in the section: 40 by 30 mm."""
PLACES = [[500.0, 400.0], [300.0, 200.0], [700.0, 650.0]]

SCIKIT_IMAGE = [
    [21.1238798048992, 15.926316879940861],
    [10.02701975764817, 5.909821923408982],
    [32.070796777100405, 28.306043309618676],
]
"""The same places by scikit-image 0.26.0, ``ProjectiveTransform.from_estimate(CORNERS, RECTANGLE)``: a reference
library's values, run once and written down."""

MAP = """
const [corners, width, height, places] = arguments;
const map = geometry.mapOfCorners(corners, width, height);
return places.map((place) => geometry.toSection(map, place));
"""


def solved(picture: list[list[float]], section: list[list[float]]) -> np.ndarray:
    """Solve the eight linear equations of a homography with numpy.

    Hartley and Zisserman, Multiple View Geometry in Computer Vision, 2nd edition 2004, section 4.1, the last entry set
    to 1; from memory.
    """
    rows, right = [], []
    for (x, y), (u, v) in zip(picture, section, strict=True):
        rows += [[x, y, 1, 0, 0, 0, -u * x, -u * y], [0, 0, 0, x, y, 1, -v * x, -v * y]]
        right += [u, v]
    return np.append(np.linalg.solve(np.array(rows), np.array(right)), 1.0).reshape(3, 3)


def mapped(matrix: np.ndarray, places: list[list[float]]) -> np.ndarray:
    found = np.column_stack([places, np.ones(len(places))]) @ matrix.T
    return found[:, :2] / found[:, 2:]


@pytest.fixture(scope="module")
def run(browser: Any, tmp_path_factory: pytest.TempPathFactory) -> Any:
    """Run a line of script beside the geometry alone: the scripts are loaded as they are, without the page."""
    templates = files("doe.report") / "templates"
    script = "\n".join(
        (templates / name).read_text(encoding="utf-8") for name in ("macro_geometry.js", "macro_hash.js")
    )
    page = tmp_path_factory.mktemp("geometry") / "geometry.html"
    page.write_text(f"<!doctype html><title>geometry</title><script>{script}</script>", encoding="utf-8")
    browser.open(page)
    return browser.run


def test_four_corners_map_as_a_reference_library_maps_them(run: Any):
    assert_allclose(run(MAP, CORNERS, 40, 30, PLACES), SCIKIT_IMAGE, rtol=1e-12)
    assert_allclose(run(MAP, CORNERS, 40, 30, CORNERS), RECTANGLE, atol=1e-12)


@pytest.mark.parametrize("seed", range(6))
def test_four_corners_map_as_the_linear_equations_do(run: Any, seed: int):
    rng = np.random.default_rng(seed)
    corners = (np.array([[0, 0], [4000, 0], [4000, 3000], [0, 3000]]) + rng.uniform(-900, 900, (4, 2))).tolist()
    width, height = rng.uniform(5, 200, 2)
    section = [[0, 0], [width, 0], [width, height], [0, height]]
    places = rng.uniform([900, 900], [3100, 2100], (20, 2)).tolist()
    assert_allclose(run(MAP, corners, width, height, places), mapped(solved(corners, section), places), rtol=1e-9)


def test_corners_clicked_the_other_way_round_give_the_same_lengths(run: Any):
    script = (
        "const length = (corners, w, h) => { const map = geometry.mapOfCorners(corners, w, h);"
        "return geometry.distance(geometry.toSection(map, [300, 200]), geometry.toSection(map, [700, 650])) };"
        "const [a, b, c, d] = arguments[0];"
        "return [length([a, b, c, d], 40, 30), length([b, c, d, a], 30, 40), length([d, c, b, a], 40, 30)]"
    )
    lengths = run(script, CORNERS)
    assert_allclose(lengths, np.linalg.norm(np.subtract(SCIKIT_IMAGE[1], SCIKIT_IMAGE[2])), rtol=1e-9)


def test_the_cross_ratio_of_four_points_of_a_line_is_kept(run: Any):
    """A projective map keeps the cross ratio (Hartley and Zisserman, section 2.5; from memory)."""
    places = [[200 + 90 * t, 190 + 70 * t] for t in (0, 1, 3, 6)]
    found = np.array(run(MAP, CORNERS, 40, 30, places))
    along = np.linalg.norm(found - found[0], axis=1)

    def ratio(a: float, b: float, c: float, d: float) -> float:
        return (c - a) * (d - b) / ((c - b) * (d - a))

    assert ratio(*along) == pytest.approx(ratio(0, 1, 3, 6), rel=1e-9)


def test_nothing_is_mapped_beyond_the_horizon(run: Any):
    w = solved(CORNERS, RECTANGLE)[2]
    x = -(1.0 + w[1] * 400) / w[0]
    near, beyond = run(MAP, CORNERS, 40, 30, [[x + 1, 400], [x - 1, 400]])
    assert near is not None
    assert beyond is None


def test_only_corners_that_go_round_are_convex(run: Any):
    a, b, c, d = CORNERS
    script = "return arguments[0].map((corners) => geometry.isConvex(corners))"
    inward = [400.0, 300.0]
    assert run(script, [[a, b, c, d], [d, c, b, a], [a, c, b, d], [a, b, inward, d], [a, b, b, d]]) == [
        True, True, False, False, False,
    ]  # fmt: skip


def test_scale_from_a_length_and_from_the_plate(run: Any):
    assert run("return geometry.mapOfLength([[100, 100], [400, 500]], 25)[0]") == pytest.approx(0.05)
    # Two points on a sloping face, one 60 px off it (a 3-4-5 triangle), known to be 12 mm away.
    assert run("return geometry.mapOfThickness([[0, 0], [400, 300], [164, 198]], 12)[0]") == pytest.approx(0.2)


@pytest.mark.parametrize(("leg_a", "leg_b"), [(5.0, 5.0), (4.0, 6.0), (8.0, 3.0)])
def test_the_throat_of_a_right_angled_fillet_is_the_handbook_s(run: Any, leg_a: float, leg_b: float):
    """a = z1 z2 / sqrt(z1^2 + z2^2), and z / sqrt(2) for equal legs: the trade's usual formulae (from memory)."""
    points = {"root": [0, 0], "toeA": [0, leg_a], "toeB": [leg_b, 0], "face": [9, 9], "deepest": [-1, -1]}
    found = run("return geometry.fillet(arguments[0])", points)
    assert found["throat"] == pytest.approx(leg_a * leg_b / math.hypot(leg_a, leg_b))
    assert (found["legA"], found["legB"], found["shorterLeg"]) == (leg_a, leg_b, min(leg_a, leg_b))
    assert found["penetration"] == pytest.approx(math.sqrt(2))


def test_a_hollow_face_makes_the_throat_and_short_fusion_counts_below_nought(run: Any):
    points = {"root": [0, 0], "toeA": [0, 6], "toeB": [6, 0], "face": [2, 2], "deepest": [0.3, 0.3]}
    found = run("return geometry.fillet(arguments[0])", points)
    assert found["throat"] == pytest.approx(math.hypot(2, 2))
    assert found["penetration"] == pytest.approx(-0.3 * math.sqrt(2))


@pytest.mark.parametrize("angle", [0.0, 0.7, 2.4, 4.1])
@pytest.mark.parametrize("mirror", [1, -1])
def test_measures_do_not_depend_on_how_the_picture_lies(run: Any, angle: float, mirror: int):
    turn = np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]]) @ np.diag([mirror, 1])
    fillet = {"root": [0, 0], "toeA": [0.4, 5], "toeB": [6, 0.2], "face": [3.4, 3.1], "deepest": [-1.4, -0.8]}
    plain = {"toeA": [-4, 0], "toeB": [4.2, 0], "face": [0, 1.1], "root": [0, -2], "deepest": [0.3, -3.7]}
    for name, points in (("fillet", fillet), ("butt", plain), ("bead", plain)):
        moved = {key: (turn @ place + [30, -12]).tolist() for key, place in points.items()}
        first, second = (run(f"return geometry.{name}(arguments[0])", p) for p in (points, moved))
        assert first.keys() == second.keys()
        assert_allclose(list(second.values()), list(first.values()), atol=1e-9)


def test_butt_and_bead_count_from_the_line_between_the_toes(run: Any):
    points = {"toeA": [-4, 1], "toeB": [4, 1], "face": [0, 2.5], "root": [0, -2], "deepest": [0.3, -3.75]}
    assert run("return geometry.butt(arguments[0])", points) == {
        "width": 8, "throat": 4.75, "penetration": 1.75, "height": 1.5,
    }  # fmt: skip
    assert run("return geometry.bead(arguments[0])", points) == {"width": 8, "penetration": 4.75, "height": 1.5}
    hollow = {**points, "face": [0, 0.6]}
    assert run("return geometry.butt(arguments[0])", hollow)["height"] == pytest.approx(-0.4)


def test_an_undercut_is_below_the_surface_and_not_above(run: Any):
    script = "return geometry.undercut([0, 0], [8, 6], arguments[0], [0, 10])"
    assert run(script, [4.3, 2.6]) == pytest.approx(0.5)  # 3-4-5: half a millimetre along (0.6, -0.8)
    assert run(script, [3.7, 3.4]) == pytest.approx(-0.5)


def test_a_pore_s_diameter_is_its_greatest_width(run: Any):
    outline = np.random.default_rng(5).normal(size=(17, 2))
    assert run("return geometry.diameter(arguments[0])", outline.tolist()) == pytest.approx(pdist(outline).max())
    assert run("return geometry.diameter([[1, 1], [4, 5]])") == 5


def test_readings_are_summed_up_as_statistics_does(run: Any):
    groups = [[1.52, 1.61, 1.57], [2.2, 2.31], [0.9]]
    found = run("return arguments[0].map(geometry.repeated)", groups)
    assert_allclose([g["mean"] for g in found], [np.mean(g) for g in groups])
    assert_allclose([found[0]["sd"], found[1]["sd"]], [np.std(g, ddof=1) for g in groups[:2]])
    assert found[2]["sd"] is None
    pooled = run("return geometry.pooled(arguments[0].map(geometry.repeated))", groups)
    expected = math.sqrt((2 * np.var(groups[0], ddof=1) + np.var(groups[1], ddof=1)) / 3)
    assert pooled["df"] == 3
    assert pooled["sd"] == pytest.approx(expected)
    assert run("return geometry.pooled([])") == {"df": 0, "sd": None}


def test_the_hash_is_sha_256(run: Any):
    rng = np.random.default_rng(1)
    texts = [rng.integers(0, 256, n).tolist() for n in (0, 1, 55, 56, 63, 64, 65, 119, 120, 1000, 70001)]
    found = run("return arguments[0].map((bytes) => sha256(Uint8Array.from(bytes)))", texts)
    assert found == [hashlib.sha256(bytes(text)).hexdigest() for text in texts]
    # FIPS 180-4 example, "abc".
    assert run("return sha256(Uint8Array.from([97, 98, 99]))") == (
        "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    )
