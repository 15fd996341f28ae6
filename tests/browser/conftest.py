"""A real Chromium over the served dashboard; skipped with a message where there is none."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import pytest
from serving import ARGUMENTS, CHROMIUM, make_workspace, served

playwright_api = pytest.importorskip("playwright.sync_api", reason="pip install playwright")


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
