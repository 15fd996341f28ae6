"""The dashboard's server: how it is started, where it listens, and who is asked for a token."""

from __future__ import annotations

import http.client
import importlib.util
import ipaddress
import socket
import subprocess
import sys
import time
from pathlib import Path

from shared.faults import CoverplateError

DEFAULT_HOST = "127.0.0.1"
DEFAULT_PORT = 8501
PORTS_TRIED = 20
READY_SECONDS = 60.0
TOKEN_VARIABLE = "COVERPLATE_TOKEN"
"""Environment variable that hands the start-up token to the server; never on a command line, which
everybody on the machine can read."""


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
        f"--browser.serverAddress={reached(host)}",
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


def reached(host: str) -> str:
    """An address by which this machine reaches a server that listens on ``host``."""
    if is_everywhere(host):
        return "[::1]" if host == "::" else DEFAULT_HOST
    return f"[{host}]" if ":" in host else host


def is_everywhere(host: str) -> bool:
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
    asked = reached(host).strip("[]")
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
