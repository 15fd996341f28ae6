"""``coverplate dashboard``: the screens, on this machine only unless told otherwise."""

from __future__ import annotations

import os
import secrets
import signal
import socket
import subprocess
import sys
import threading
import webbrowser
from pathlib import Path
from types import FrameType

import click

from pipeline.cli.options import workspace_option
from pipeline.cli.output import say
from pipeline.serving import (
    DEFAULT_HOST,
    DEFAULT_PORT,
    TOKEN_VARIABLE,
    command,
    free_port,
    is_everywhere,
    is_loopback,
    reached,
    wait_until_ready,
)

START_PAGES = ("where-next", "overdue", "exposure")
"""The pages that answer the first question of a housing authority, a manager, an insurer."""


@click.command(
    epilog="Example: coverplate dashboard --workspace housing  ·  coverplate dashboard --start "
    "exposure --no-browser"
)
@click.option("--host", default=DEFAULT_HOST, show_default=True, help="Address to listen on.")
@click.option(
    "--port",
    type=click.IntRange(1, 65535),
    help=f"Port to listen on  [default: {DEFAULT_PORT}, or the next free one]",
)
@click.option(
    "--start",
    type=click.Choice(START_PAGES),
    default=START_PAGES[0],
    show_default=True,
    help="The page shown first: where to look next, what is overdue, what is exposed.",
)
@click.option("--no-browser", is_flag=True, help="Only print the address.")
@workspace_option
def dashboard(host: str, port: int | None, start: str, no_browser: bool, workspace: Path) -> int:
    """Show the workspace in a browser; ends with Ctrl-C.

    Listens on this machine only unless --host says otherwise. Then whoever opens it needs the
    start-up token in the address that is printed; it travels unencrypted, so do not open it to a
    network that you do not trust. Nothing is sent anywhere.
    """
    return serve(workspace, host=host, port=port, start=start, browser=not no_browser)


def serve(
    workspace: Path,
    *,
    host: str = DEFAULT_HOST,
    port: int | None = None,
    start: str = START_PAGES[0],
    browser: bool = True,
) -> int:
    """Serve the dashboard until it is stopped.

    Args:
        workspace: the workspace's folder; it may be empty yet.
        host: address to listen on.
        port: port to listen on; the first free one from ``DEFAULT_PORT`` when None.
        start: one of ``START_PAGES``.
        browser: whether to open a browser if there is one.

    Returns:
        The exit code: 0 when stopped by hand.

    Raises:
        CoverplateError: the port is taken, or the dashboard does not come up.
    """
    chosen = free_port(host, port)
    environment = {
        **os.environ,
        "COVERPLATE_WORKSPACE": str(workspace.resolve()),
        "COVERPLATE_START": start,
    }
    token = None if is_loopback(host) else secrets.token_urlsafe(32)
    environment.pop(TOKEN_VARIABLE, None)
    if token is not None:
        environment[TOKEN_VARIABLE] = token
    server = subprocess.Popen(
        command(host, chosen),
        env=environment,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
    )
    threading.Thread(target=_retold, args=(server,), daemon=True).start()
    shown = f"http://{reached(host)}:{chosen}" + (f"/?token={token}" if token else "")
    before = signal.signal(signal.SIGTERM, _stopped)
    try:
        wait_until_ready(server, host, chosen, token)
        say(f"Dashboard: {shown}  (Ctrl-C ends it)")
        if is_everywhere(host):
            others = shown.replace(reached(host), socket.gethostname(), 1)
            say(f"From other machines: {others}  (or this machine's address in place of its name)")
        if browser and has_browser():
            webbrowser.open(shown)
        return server.wait()
    except KeyboardInterrupt:
        return 0
    finally:
        signal.signal(signal.SIGTERM, before)
        server.terminate()
        try:
            server.wait(timeout=5)
        except subprocess.TimeoutExpired:
            server.kill()
            server.wait()


def _retold(server: subprocess.Popen[bytes]) -> None:
    """Pass on what the server complains of, which may quote data, so that it steers no terminal."""
    for line in server.stderr or ():
        say(line.decode("utf-8", "replace").rstrip("\r\n"))


def _stopped(_signal: int, _frame: FrameType | None) -> None:
    """A polite request to end is taken like Ctrl-C, so that the server never outlives us."""
    raise KeyboardInterrupt


def has_browser() -> bool:
    """Whether this machine has a browser that can be seen."""
    if sys.platform.startswith("linux") and not (
        os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY")
    ):
        return False
    try:
        webbrowser.get()
    except webbrowser.Error:
        return False
    return True
