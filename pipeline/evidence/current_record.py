"""Which learned record the current warehouse was built with."""

from __future__ import annotations

import contextlib
from pathlib import Path

POINTER = "CURRENT"
"""The file in the folder of records that names one."""


def current_hash(folder: Path) -> str | None:
    """Hash of the current record, or None where there is none."""
    with contextlib.suppress(OSError, UnicodeDecodeError):
        return (folder / POINTER).read_text(encoding="utf-8").strip() or None
    return None
