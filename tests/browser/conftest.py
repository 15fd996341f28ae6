"""A real Chromium over the served dashboard; skipped with a message where there is none."""

from __future__ import annotations

import os
import shutil
import subprocess
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from data_demo.portfolios import FOLDER
from pipeline.cli.dashboard import command, free_port
from pipeline.landing import Workspace, intake, load_mapping, save_mapping
from pipeline.ledger import open_ledger
from pipeline.ledger.sync import sync_findings
from pipeline.warehouse import store
from pipeline.warehouse.build import build

playwright_api = pytest.importorskip("playwright.sync_api", reason="pip install playwright")

CHROMIUM = os.environ.get("COVERPLATE_CHROMIUM") or shutil.which("chromium")
ARGUMENTS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
READY_SECONDS = 60


def make_workspace(root: Path, portfolio: str) -> Workspace:
    """An invented portfolio, built, with findings raised from its evidence."""
    place = Workspace(root).create()
    source = FOLDER / portfolio
    for file in sorted((source / "mappings").glob("*.toml")):
        save_mapping(place, load_mapping(file))
    intake(place, [source / "exports"])
    build(place)
    ledger = open_ledger(workspace=place.root)
    with store.reading(place) as con:
        sync_findings(con, ledger)
    ledger.close()
    return place


@contextmanager
def served(place: Workspace) -> Iterator[str]:
    """The dashboard over a workspace, served by the same command that people use."""
    port = free_port("127.0.0.1", None)
    environment = {**os.environ, "COVERPLATE_WORKSPACE": str(place.root)}
    environment.pop("COVERPLATE_LEDGER_URL", None)
    server = subprocess.Popen(
        command("127.0.0.1", port),
        env=environment,
        cwd=place.root,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    address = f"http://127.0.0.1:{port}"
    try:
        end = time.monotonic() + READY_SECONDS
        while True:
            assert server.poll() is None and time.monotonic() < end, "the dashboard did not come up"
            try:
                with urllib.request.urlopen(f"{address}/_stcore/health", timeout=1):
                    break
            except (OSError, urllib.error.URLError):
                time.sleep(0.2)
        yield address
    finally:
        server.terminate()
        server.wait(timeout=10)


@pytest.fixture(scope="session")
def browser():
    if not CHROMIUM:
        pytest.skip("no Chromium on this machine; name one by COVERPLATE_CHROMIUM")
    with playwright_api.sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield opened
        opened.close()


@pytest.fixture(scope="session")
def housing(tmp_path_factory) -> Iterator[str]:
    with served(make_workspace(tmp_path_factory.mktemp("housing"), "housing_authority")) as url:
        yield url


@pytest.fixture(scope="session")
def managed(tmp_path_factory) -> Iterator[str]:
    with served(make_workspace(tmp_path_factory.mktemp("managed"), "property_manager")) as url:
        yield url


@pytest.fixture(scope="session")
def insured(tmp_path_factory) -> Iterator[str]:
    with served(make_workspace(tmp_path_factory.mktemp("insured"), "insurer")) as url:
        yield url


@pytest.fixture
def page_at(browser) -> Iterator[Callable]:
    """Open pages: page_at(width, tone); no request may leave this machine, no script may fail."""
    contexts, outside, broken = [], [], []

    def allowed(url: str) -> bool:
        return url.startswith(("http://127.0.0.1:", "ws://127.0.0.1:", "data:", "blob:"))

    def open_page(width: int = 1440, tone: str = "light"):
        context = browser.new_context(
            viewport={"width": width, "height": 900 if width > 600 else 844},
            color_scheme=tone,
            accept_downloads=True,
        )
        context.set_default_timeout(30_000)
        contexts.append(context)
        page = context.new_page()
        page.on("request", lambda r: None if allowed(r.url) else outside.append(r.url))
        page.on("websocket", lambda w: None if allowed(w.url) else outside.append(w.url))
        page.on("pageerror", lambda e: broken.append(str(e)))
        return page

    yield open_page
    for context in contexts:
        context.close()
    assert not outside, f"requests left this machine: {outside}"
    assert not broken, broken
