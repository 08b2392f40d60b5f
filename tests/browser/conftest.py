"""Headless Chromium, driven by its command line; tests are skipped where it is not installed."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")


@pytest.fixture
def chromium(tmp_path: Path) -> Callable[..., str]:
    """Run Chromium on a page with the given switches; give stdout and stderr together."""
    if CHROMIUM is None:
        pytest.skip("chromium is not installed")

    def run(page: Path, *switches: str) -> str:
        command = [
            CHROMIUM, "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
            "--disable-background-networking", "--disable-component-update", "--disable-sync", "--hide-scrollbars",
            "--enable-logging=stderr", f"--user-data-dir={tmp_path / 'profile'}", *switches, page.as_uri(),
        ]  # fmt: skip
        done = subprocess.run(command, capture_output=True, text=True, check=True, timeout=120)
        return done.stdout + done.stderr

    return run
