"""What changes make of a run's header."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

#: The run's identity is not up for change.
IDENTITY = ("format", "run_id", "started_at")


def laid_over(header: Mapping[str, Any], changes: Mapping[str, Any]) -> dict[str, Any]:
    """Changes laid over a header, object by object; what lies deeper in an object is replaced as a whole."""
    merged = dict(header)
    for key, value in changes.items():
        if key in IDENTITY:
            continue
        old = merged.get(key)
        both = isinstance(old, Mapping) and isinstance(value, Mapping)
        merged[key] = {**old, **value} if both and old is not None else value
    return merged
