"""Studies that many tests use, made from the objects: no file is read."""

from __future__ import annotations

import os
from pathlib import Path

# As the command line does, before numpy loads: many small products are quicker on one thread, and round alike.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
import pytest

from doe.study.model import Claim, Factor, Job, Machine, PlanWishes, Response, Study, Supply


def hinge_factors() -> tuple[Factor, ...]:
    marks = {"1": 17.0, "2": 18.4, "3": 19.6, "4": 21.1, "5": 22.3}
    feeds = tuple(float(v) for v in np.arange(5.0, 9.25, 0.5))
    return (
        Factor("voltage", "voltage", "V", tuple(marks.values()), tuple(marks), set_within=0.2),
        Factor("feed", "feed", "m/min", feeds, is_continuous=True),
        Factor("preheat", "preheat", "degC", (20.0, 70.0, 120.0), hard_to_change=True),
    )


def hinge_responses() -> tuple[Response, ...]:
    return (
        Response("penetration", "measure", "mm", at_least=1.2, full=10.0, expect_scatter=0.3),
        Response(
            "porosity",
            "count",
            per_mm=100.0,
            per_text="100 mm",
            at_most=2,
            expect_good_zone=("voltage", "feed"),
            expect_ratio_under=10.0,
        ),
        Response("trip", "trip", hold_s=30.0),
    )


@pytest.fixture
def hinge(tmp_path: Path) -> Study:
    """The lug study of the examples: three factors, plates of two welds, three responses."""
    return Study(
        title="Hinge lugs, 10 mm",
        factors=hinge_factors(),
        responses=hinge_responses(),
        job=Job(
            process="136",
            joint="lap fillet",
            thickness_mm=10.0,
            wire="1.0 mm gas-shielded cored",
            wire_diameter_mm=1.0,
            stickout_mm=16.0,
            travel_speed_mm_s=5.0,
            weld_length_mm=150.0,
        ),
        supply=Supply(230.0, 16.0, "C"),
        machine=Machine(0.8, 0.7, 30.0, 120.0),
        plan=PlanWishes(welds=18, welds_per_plate=2, stages=(18,)),
        claim=Claim(),
        folder=tmp_path,
        fingerprint="0123456789ab",
    )
