"""The fingerprint of a study: the same for the same question, however the file is laid out."""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict
from typing import Final

from doe.study.model import Study

LATER: Final = {"plates": (), "potential": "none"}
"""Keys of [plan] that came later count only where they say something, so that older plans still fit their study."""


def fingerprint(study: Study) -> str:
    """Give twelve hexadecimal digits of the SHA-256 of what the study asks.

    Comments, layout, order of keys, title, explanations (``why``), the way quantities are written and the units in
    which results are shown do not count.
    """
    meaning = asdict(study)
    for part in ("title", "units", "folder", "fingerprint"):
        del meaning[part]
    for limit in meaning["limits"]:
        del limit["why"], limit["rule"]
        limit["coefficients"] = sorted(limit["coefficients"])
    for response in meaning["responses"]:
        del response["per_text"]
    for key, unsaid in LATER.items():
        if meaning["plan"][key] == unsaid:
            del meaning["plan"][key]
        if not response["scatter_from"]:
            del response["scatter_from"]
    meaning["job"]["chemistry"] = sorted(meaning["job"]["chemistry"])
    for key in ("burn_off", "cooling_joint"):  # later keys: a study that does not have them keeps its fingerprint
        if not meaning["job"][key]:
            del meaning["job"][key]
    meaning["plan"]["coding"] = sorted(meaning["plan"]["coding"])
    text = json.dumps(meaning, sort_keys=True, separators=(",", ":"), ensure_ascii=True, allow_nan=False)
    return hashlib.sha256(text.encode("ascii")).hexdigest()[:12]
