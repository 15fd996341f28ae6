"""``coverplate dashboard``: the screens, on this machine only unless told otherwise."""

from __future__ import annotations

import http.client
import importlib.util
import ipaddress
import os
import secrets
import signal
import socket
import subprocess
import sys
import threading
import time
import webbrowser
from pathlib import Path
from types import FrameType

import click

from pipeline.cli.options import workspace_option
from pipeline.cli.output import say
from shared.faults import CoverplateError

DEFAULT_HOST = "127.0.0.1"
DEFAULT_PORT = 8501
PORTS_TRIED = 20
READY_SECONDS = 60.0
TOKEN_VARIABLE = "COVERPLATE_TOKEN"
"""Environment variable that hands the start-up token to the server; never on a command line, which
everybody on the machine can read."""

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
    shown = f"http://{_reached(host)}:{chosen}" + (f"/?token={token}" if token else "")
    before = signal.signal(signal.SIGTERM, _stopped)
    try:
        wait_until_ready(server, host, chosen, token)
        say(f"Dashboard: {shown}  (Ctrl-C ends it)")
        if _is_everywhere(host):
            others = shown.replace(_reached(host), socket.gethostname(), 1)
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


def app_path() -> Path:
    """Where the dashboard's entry script lies, without importing the dashboard.

    Raises:
        CoverplateError: it is not installed.
    """
    found = importlib.util.find_spec("dashboard")
    if found is None or not found.submodule_search_locations:
        raise CoverplateError(
            "the dashboard is not installed", to_do="install Coverplate anew, whole"
        )
    return Path(found.submodule_search_locations[0]) / "app.py"


def command(host: str, port: int) -> list[str]:
    """The command that serves the dashboard: no telemetry, no question on first start."""
    return [
        sys.executable,
        "-m",
        "streamlit",
        "run",
        str(app_path()),
        f"--server.address={host}",
        f"--server.port={port}",
        # named, so that the server need not ask anybody which address it has
        f"--browser.serverAddress={_reached(host)}",
        "--server.headless=true",
        "--browser.gatherUsageStats=false",
    ]


def is_loopback(host: str) -> bool:
    """Whether an address to listen on, or a name asked for, is this machine's alone."""
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return host.lower() == "localhost"


def cookie_name(port: int) -> str:
    """The cookie that keeps the start-up token; cookies know no ports, so the name does."""
    return f"coverplate-{port}"


def _reached(host: str) -> str:
    """An address by which this machine reaches a server that listens on ``host``."""
    if _is_everywhere(host):
        return "[::1]" if host == "::" else DEFAULT_HOST
    return f"[{host}]" if ":" in host else host


def _is_everywhere(host: str) -> bool:
    """Whether a server that listens on ``host`` is reached by every address of this machine."""
    return host in ("", "0.0.0.0", "::")


def free_port(host: str, wanted: int | None) -> int:
    """The wanted port if it is free, else (where none is wanted) the next free one.

    Raises:
        CoverplateError: the wanted port is taken, or none is free.
    """
    candidates = [wanted] if wanted else range(DEFAULT_PORT, DEFAULT_PORT + PORTS_TRIED)
    for port in candidates:
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        with socket.socket(family, socket.SOCK_STREAM) as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe.bind((host, port))
            except OSError:
                continue
            return port
    raise CoverplateError(
        f"port {wanted or DEFAULT_PORT} of {host} is taken"
        if wanted
        else f"no port from {DEFAULT_PORT} to {DEFAULT_PORT + PORTS_TRIED - 1} is free on {host}",
        to_do="name a free one with --port, or another address with --host",
    )


def wait_until_ready(
    server: subprocess.Popen[bytes], host: str, port: int, token: str | None = None
) -> None:
    """Wait until the dashboard answers.

    Args:
        server: its process.
        host, port: where it listens.
        token: the start-up token, if it asks for one.

    Raises:
        CoverplateError: it ended, or did not answer in time.
    """
    asked = _reached(host).strip("[]")
    cookie = {"Cookie": f"{cookie_name(port)}={token}"} if token else {}
    end = time.monotonic() + READY_SECONDS
    while time.monotonic() < end and server.poll() is None:
        connection = http.client.HTTPConnection(asked, port, timeout=1)
        try:
            connection.request("GET", "/_stcore/health", headers=cookie)
            if connection.getresponse().status == 200:
                return
        except OSError:
            pass
        finally:
            connection.close()
        time.sleep(0.15)
    raise CoverplateError(
        "the dashboard did not come up",
        to_do="run the command that follows, to see why: " + " ".join(command(host, port)),
    )


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
