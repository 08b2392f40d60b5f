"""Data for a page's own script, inside the page."""

from __future__ import annotations

import json
from typing import Any, Final

_ESCAPES: Final = {ord(c): f"\\u{ord(c):04x}" for c in "<>&\u2028\u2029"}
"""What could end a script element, or a line of script, inside JSON."""


def script_data(data: dict[str, Any]) -> str:
    """Write JSON that no HTML parser takes for anything else."""
    return json.dumps(data, ensure_ascii=False, allow_nan=False, separators=(",", ":")).translate(_ESCAPES)
