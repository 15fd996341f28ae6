"""An upload goes from the server's disk once it is taken in, and when the page is closed."""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

import pytest
from screens_seen import ready
from serving import served

from dashboard.components.uploads import PREFIX
from data_demo.portfolios import FOLDER
from pipeline.landing import Workspace

pytestmark = pytest.mark.browser

SENT = FOLDER / "property_manager" / "exports" / "01_houses.csv"


def on_disk(place: Path) -> list[Path]:
    return [p for f in place.glob(f"{PREFIX}*") for p in f.rglob(SENT.name)]


def gone(place: Path, seconds: float) -> bool:
    end = time.monotonic() + seconds
    while on_disk(place) and time.monotonic() < end:
        time.sleep(0.5)
    return not on_disk(place)


@pytest.fixture
def place(tmp_path, monkeypatch):
    (tmp_path / "tmp").mkdir()
    monkeypatch.setenv("TMPDIR", str(tmp_path / "tmp"))
    monkeypatch.setenv("STREAMLIT_SERVER_DISCONNECTED_SESSION_TTL", "3")
    monkeypatch.setattr(tempfile, "tempdir", None)
    return tmp_path / "tmp"


def test_uploads_do_not_stay(page_at, place, tmp_path):
    with served(Workspace(tmp_path / "workspace").create()) as address:
        for ends in ("taken in", "closed"):
            page = page_at()
            page.goto(f"{address}/intake")
            ready(page)
            page.locator("input[type=file]").first.set_input_files(SENT)
            page.get_by_role("button", name="Take in", exact=True).wait_for()
            ready(page)
            assert len(on_disk(place)) == 1
            if ends == "taken in":
                page.get_by_role("button", name="Take in", exact=True).click()
                page.get_by_text("What became of every row").wait_for()
                ready(page)
                assert on_disk(place) == []
            else:
                page.context.close()
                assert gone(place, 40), on_disk(place)
    assert not list(place.glob(f"{PREFIX}*"))
