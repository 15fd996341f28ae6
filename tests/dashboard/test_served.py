"""The dashboard as it is served: who gets in, what it sends along, and that it asks nobody."""

from __future__ import annotations

import http.client
import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from dashboard.components.uploads import LOCK, PREFIX
from dashboard.guard import POLICY
from pipeline.serving import cookie_name, free_port

pytestmark = pytest.mark.slow


TRAP = """
import os, socket, sys

def told(name, plain):
    def trapped(*arguments, **named):
        there = next((a for a in arguments if isinstance(a, (tuple, str, bytes))), "")
        host = there[0] if isinstance(there, tuple) else there
        if str(host) not in ("", "0.0.0.0", "::", "127.0.0.1", "::1", "localhost", "None"):
            with open(os.environ["TRAP"], "a") as log:
                log.write(f"{name} {there}\\\\n")
            raise OSError("no network in this test")
        return plain(*arguments, **named)
    return trapped

class Trapped(socket.socket):
    connect = told("connect", socket.socket.connect)
    connect_ex = told("connect_ex", socket.socket.connect_ex)
    sendto = told("sendto", socket.socket.sendto)

socket.socket = Trapped
socket.getaddrinfo = told("getaddrinfo", socket.getaddrinfo)
socket.gethostbyname = told("gethostbyname", socket.gethostbyname)
"""
ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def trapped(tmp_path_factory):
    """An environment in which every try to reach another machine is written down and fails."""
    folder = tmp_path_factory.mktemp("trap")
    (folder / "sitecustomize.py").write_text(TRAP.replace("\\\\n", "\\n"), encoding="utf-8")
    (folder / "tmp").mkdir()
    return {
        **{k: v for k, v in os.environ.items() if not k.startswith("COVERPLATE_")},
        "PYTHONPATH": f"{folder}{os.pathsep}{ROOT}",
        "TRAP": str(folder / "asked"),
        "TMPDIR": str(folder / "tmp"),
    }


def asked(environment):
    """What was asked of other machines so far."""
    log = Path(environment["TRAP"])
    return log.read_text(encoding="utf-8").split("\n")[:-1] if log.exists() else []


def left_behind(environment):
    """Folders of uploads as a killed server and an older version left them."""
    killed = Path(environment["TMPDIR"]) / f"{PREFIX}killed"
    killed.mkdir()
    (killed / LOCK).touch()
    (killed / "rows.csv").write_text("left", encoding="utf-8")
    older = Path(environment["TMPDIR"]) / f"{PREFIX}older"
    older.mkdir()
    os.utime(older, (time.time() - 9e5,) * 2)
    return killed, older


@pytest.fixture(scope="module")
def off_loopback(trapped, tmp_path_factory):
    """The server on every address: its port and token; both folders were left before it started."""
    folders = left_behind(trapped)
    port = free_port("127.0.0.1", None)
    place = tmp_path_factory.mktemp("workspace")
    server = subprocess.Popen(
        [
            *(sys.executable, "-m", "pipeline.cli.main", "dashboard", "--host", "0.0.0.0"),
            *("--port", str(port), "--no-browser", "--workspace", str(place)),
        ],
        env=trapped,
        cwd=ROOT,
        stderr=subprocess.PIPE,
        text=True,
    )
    lines = []
    while not lines or "Dashboard:" not in lines[-1]:
        lines.append(server.stderr.readline())
        assert lines[-1], lines
    yield port, "".join(lines), folders
    server.send_signal(signal.SIGTERM)
    server.wait(timeout=20)


def get(port, path, **headers):
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=20)
    connection.request("GET", path, headers=headers)
    answer = connection.getresponse()
    body = answer.read().decode("utf-8", "replace")
    connection.close()
    return answer, body


def token_in(line):
    (found,) = re.findall(r"\?token=([\w-]{40,})", line)
    return found


def test_the_trap_catches(trapped, tmp_path):
    environment = {**trapped, "TRAP": str(tmp_path / "asked")}
    code = "from streamlit import net_util; net_util.get_internal_ip(); net_util.get_external_ip()"
    subprocess.run([sys.executable, "-c", code], env=environment, check=True, capture_output=True)
    assert len(asked(environment)) >= 2


def test_off_loopback_the_token_is_needed_and_printed_once(off_loopback):
    port, printed, _ = off_loopback
    token = token_in(printed)
    for path in ("/", "/intake", "/_stcore/health", "/_stcore/host-config", "/?token=x"):
        answer, body = get(port, path)
        assert answer.status == 403 and token not in body, path
    answer, _ = get(port, f"/?token={token}")
    assert answer.status == 303 and token not in answer.headers["location"]
    cookie = answer.headers["set-cookie"].partition(";")[0]
    assert cookie == f"{cookie_name(port)}={token}"
    answer, body = get(port, "/", Cookie=cookie)
    assert answer.status == 200 and "<script" in body


def test_every_answer_carries_the_policy(off_loopback):
    port, printed, _ = off_loopback
    cookie = f"{cookie_name(port)}={token_in(printed)}"
    script = re.findall(r'src="\./(static/js/index[^"]+)"', get(port, "/", Cookie=cookie)[1])[0]
    for path in ("/", "/building?id=1", "/_stcore/health", f"/{script}", "/no/such/thing"):
        for headers in ({"Cookie": cookie}, {}):
            answer, _ = get(port, path, **headers)
            assert answer.headers["content-security-policy"] == POLICY, path
            assert answer.headers["x-content-type-options"] == "nosniff"


def test_nothing_is_asked_of_another_machine(off_loopback, trapped):
    port, printed, _ = off_loopback
    cookie = f"{cookie_name(port)}={token_in(printed)}"
    handshake = {
        **{"Connection": "Upgrade", "Upgrade": "websocket", "Sec-WebSocket-Version": "13"},
        **{"Sec-WebSocket-Key": "AAAAAAAAAAAAAAAAAAAAAA==", "Cookie": cookie},
    }
    # by this origin Streamlit alone would ask a server on the internet for its own address
    answer, _ = get(port, "/_stcore/stream", Origin="http://192.168.1.5:1", **handshake)
    assert answer.status == 403
    assert asked(trapped) == []


def test_what_killed_servers_left_behind_is_removed_at_the_start(off_loopback):
    _, _, folders = off_loopback
    assert not any(folder.exists() for folder in folders)
