"""One text for one content: what is hashed where lines or events are chained to each other."""

from __future__ import annotations

import datetime as dt
import json
from typing import Any

START = "0" * 64
"""What stands for the hash before the first link of a chain."""


def canonical(content: Any) -> str:  # noqa: ANN401 - any JSON value
    """Return JSON with sorted keys and no spaces: one text for one content."""
    return _ENCODER.encode(content)


_ENCODER = json.JSONEncoder(sort_keys=True, ensure_ascii=False, separators=(",", ":"))


def utc_text(moment: dt.datetime) -> str:
    """Return a moment as text in UTC with microseconds, such as 2025-03-01T09:30:00.000000Z."""
    return moment.astimezone(dt.UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")
