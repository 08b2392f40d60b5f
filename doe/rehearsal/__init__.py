"""Whole studies run on virtual welders, whose truth is known."""

from __future__ import annotations

from doe.rehearsal.judging import Judgement, judge

__all__ = ["Judgement", "judge"]
