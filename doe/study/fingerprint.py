"""The fingerprint of a study: the same for the same question, however the file is laid out."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import asdict
from typing import Final

from doe.study.model import Study

LATER: Final[Mapping[str, Mapping[str, object]]] = {
    "plan": {"plates": (), "potential": "none", "second_bead": False},
    "job": {"burn_off": None, "cooling_joint": "", "covariates": ()},
    "responses": {"scatter_from": "", "errors": "normal"},
}
"""Keys that came later, and what they hold where nothing was said: they then do not count, so that older plans still
fit their study."""


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
    for part, keys in LATER.items():
        for held in meaning[part] if isinstance(meaning[part], list | tuple) else [meaning[part]]:
            for key, unsaid in keys.items():
                if held[key] == unsaid:
                    del held[key]
    meaning["job"]["chemistry"] = sorted(meaning["job"]["chemistry"])
    meaning["plan"]["coding"] = sorted(meaning["plan"]["coding"])
    text = json.dumps(meaning, sort_keys=True, separators=(",", ":"), ensure_ascii=True, allow_nan=False)
    return hashlib.sha256(text.encode("ascii")).hexdigest()[:12]
