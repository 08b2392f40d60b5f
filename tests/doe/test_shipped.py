"""The shipped files are found from the source tree, from an editable install and from a wheel."""

from __future__ import annotations

import shutil
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path

import pytest

import doe
from doe.errors import DoeError
from doe.shipped import shipped

SOURCE = Path(doe.__file__).parent
ROOT = SOURCE.parent
ASK = "from doe.shipped import shipped; print(shipped('README.md').read_text(encoding='utf-8'), end='')"


def ask(site: Path, question: str = ASK) -> subprocess.CompletedProcess[str]:
    """Run a question in a fresh process that sees only the packages laid out in ``site``."""
    program = f"import sys; sys.path.insert(0, {str(site)!r}); {question}"
    return subprocess.run(
        [sys.executable, "-S", "-c", program], capture_output=True, text=True, check=False, cwd=site, encoding="utf-8"
    )


def lay_out(site: Path) -> Path:
    """Copy as much of the package as the function needs."""
    package = site / "doe"
    package.mkdir(parents=True)
    for name in ("__init__.py", "errors.py", "shipped.py"):
        shutil.copy(SOURCE / name, package / name)
    return package


def test_the_folder_and_its_files_are_found_here() -> None:
    assert shipped("").is_dir()
    assert shipped("README.md").is_file()


def test_from_a_source_tree_it_is_the_data_folder_beside_the_package(tmp_path: Path) -> None:
    lay_out(tmp_path)
    (tmp_path / "data").mkdir()
    (tmp_path / "data" / "README.md").write_text("from the tree")
    assert ask(tmp_path).stdout == "from the tree"


def test_from_a_wheel_it_is_the_folder_inside_the_package(tmp_path: Path) -> None:
    package = lay_out(tmp_path)
    (package / "shipped_data").mkdir()
    (package / "shipped_data" / "README.md").write_text("from the wheel")
    (tmp_path / "data").mkdir()  # somebody else's, in a shared site-packages
    (tmp_path / "data" / "README.md").write_text("not ours")
    assert ask(tmp_path).stdout == "from the wheel"


def test_the_wheel_carries_the_data_where_it_is_looked_for() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    wheel = project["tool"]["hatch"]["build"]["targets"]["wheel"]
    assert wheel["force-include"] == {
        "data": "doe/shipped_data",
        "reports/calibration.md": "doe/shipped_reports/calibration.md",
    }


@pytest.mark.slow
def test_a_built_wheel_finds_its_data(tmp_path: Path) -> None:
    pytest.importorskip("hatchling", reason="the build backend is not installed; CI builds and runs the wheel")
    for part in ("doe", "cli", "data"):
        shutil.copytree(ROOT / part, tmp_path / "tree" / part, ignore=shutil.ignore_patterns("__pycache__"))
    (tmp_path / "tree" / "reports").mkdir()
    for name in ("pyproject.toml", "README.md", "reports/calibration.md"):
        shutil.copy(ROOT / name, tmp_path / "tree" / name)
    build = [
        sys.executable,
        "-m",
        "pip",
        "wheel",
        "-q",
        "--no-deps",
        "--no-build-isolation",
        "--wheel-dir",
        str(tmp_path),
        ".",
    ]
    subprocess.run(build, cwd=tmp_path / "tree", check=True)
    (wheel,) = tmp_path.glob("*.whl")
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(tmp_path / "site")
    assert ask(tmp_path / "site").stdout == (ROOT / "data" / "README.md").read_text(encoding="utf-8")
    page = ask(tmp_path / "site", "from doe.shipped import calibration_page; print(calibration_page(), end='')")
    assert page.stdout == (ROOT / "reports" / "calibration.md").read_text(encoding="utf-8")


def test_a_calibration_that_is_missing_is_asked_for(tmp_path: Path) -> None:
    lay_out(tmp_path)
    asked = ask(tmp_path, "from doe.shipped import calibration_page; calibration_page()")
    assert "The calibration that comes with weldwindow is missing from this installation" in asked.stderr


def test_what_is_missing_is_told(tmp_path: Path) -> None:
    with pytest.raises(DoeError, match=r"“nothing.csv” that comes with weldwindow is missing from this installation"):
        shipped("nothing.csv")
    lay_out(tmp_path)
    assert "is missing from this installation" in ask(tmp_path).stderr


@pytest.mark.parametrize("name", ["../pyproject.toml", "/etc/hostname", "a/../../b"])
def test_a_name_cannot_lead_out_of_the_folder(name: str) -> None:
    with pytest.raises(ValueError, match="relative to data/"):
        shipped(name)
