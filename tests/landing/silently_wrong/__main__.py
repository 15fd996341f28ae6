"""Prints the number of silently wrong cells and uncounted rows over all traps: ``python -m``."""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from tests.landing.silently_wrong.reckoning import judge
from tests.landing.silently_wrong.traps import traps


def main() -> int:
    """Judge every trap and print one line each."""
    total = failed = asked = 0
    for trap in traps():
        with tempfile.TemporaryDirectory() as folder:
            verdict = judge(trap, Path(folder))
        total += verdict.silently_wrong
        asked += verdict.asked
        right = trap.must == "either" or (trap.must == "ask") == verdict.asked
        failed += not right
        state = "asked" if verdict.asked else "read"
        mark = "" if right and not verdict.silently_wrong else "  <--"
        sys.stdout.write(f"{verdict.silently_wrong:6}  {state:5}  {trap.name}{mark}\n")
        if mark:
            sys.stdout.write("".join(f"          {line[:300]}\n" for line in verdict.told[:4]))
    number = len(traps())
    sys.stdout.write(
        f"{total} silently wrong cells and uncounted rows in {number} files; {asked} asked, "
        f"{failed} read or asked against what must be\n"
    )
    return 1 if total or failed else 0


if __name__ == "__main__":
    sys.exit(main())
