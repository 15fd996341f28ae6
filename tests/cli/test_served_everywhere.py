"""Listening on every address: the lines that tell where, and the token that lets in."""

from __future__ import annotations

import http.client
import re
import signal
import socket
import subprocess
import sys
from urllib.parse import urlsplit

import pytest

from pipeline.serving import free_port


def asked(port, path):
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=20)
    connection.request("GET", path, headers={"Host": f"127.0.0.1:{port}"})
    return connection.getresponse().status


@pytest.mark.slow
def test_off_loopback_both_addresses_are_told_and_the_token_is_needed(tmp_path):
    port = free_port("0.0.0.0", None)
    command = [sys.executable, "-m", "pipeline.cli.main", "dashboard", "--host", "0.0.0.0"]
    command += ["--port", str(port), "--no-browser", "--workspace", str(tmp_path / "w")]
    server = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
    try:
        told: list[str] = []
        for line in server.stdout:
            told.append(line)
            if "From other machines" in line:
                break
        here = re.search(r"Dashboard: (\S+)", "".join(told))
        there = re.search(r"From other machines: (\S+)", "".join(told))
        assert here and there, told
        address = urlsplit(here[1])
        assert address.port == port and address.query.startswith("token=")
        assert urlsplit(there[1]).hostname == socket.gethostname().lower()
        assert urlsplit(there[1]).query == address.query
        assert asked(port, "/") == 403
        assert asked(port, "/?token=wrong") == 403
        assert asked(port, f"/?{address.query}") in (200, 302, 303, 307)
    finally:
        server.send_signal(signal.SIGTERM)
        assert server.wait(timeout=30) == 0
