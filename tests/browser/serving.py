"""A workspace to look at, and the dashboard served over it by the command that people use."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from data_demo.portfolios import FOLDER
from pipeline.landing import Workspace, intake, load_mapping, save_mapping
from pipeline.ledger import open_ledger
from pipeline.ledger.sync import sync_findings
from pipeline.serving import command, free_port, wait_until_ready
from pipeline.warehouse import store
from pipeline.warehouse.build import build

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
    try:
        wait_until_ready(server, "127.0.0.1", port)
        yield f"http://127.0.0.1:{port}"
    finally:
        server.terminate()
        server.wait(timeout=10)
