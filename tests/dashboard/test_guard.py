"""Who gets in and what a browser may fetch, asked of the guard itself."""

from __future__ import annotations

import asyncio
from urllib.parse import urlsplit

import pytest
from starlette.responses import PlainTextResponse

from dashboard.guard import POLICY, Guard, token_of
from pipeline.serving import TOKEN_VARIABLE, cookie_name, is_loopback

TOKEN = "a-token-made-up-for-this-test"
COOKIE = f"{cookie_name(8501)}={TOKEN}"


async def behind(scope, receive, send):
    """An app that answers everything."""
    if scope["type"] == "websocket":
        await send({"type": "websocket.accept"})
    else:
        await PlainTextResponse("in " + scope["query_string"].decode())(scope, receive, send)


def ask(address, token=None, kind="http", **headers):
    """What the guard answers: status (101 for an open socket), headers, body."""
    host, path, query = urlsplit(address).netloc, urlsplit(address).path, urlsplit(address).query
    sent = [(b"host", host.encode())]
    sent += [(name.encode(), value.encode()) for name, value in headers.items()]
    scope = {
        **{"type": kind, "path": path, "raw_path": path.encode(), "query_string": query.encode()},
        **{"headers": sent, "server": ("0.0.0.0", 8501), "method": "GET", "scheme": kind},
    }
    answers = []

    async def receive():
        return {"type": "websocket.connect" if kind == "websocket" else "http.request"}

    async def send(message):
        answers.append(message)

    asyncio.run(Guard(behind, token)(scope, receive, send))
    if kind == "websocket":
        return (101 if answers[0]["type"] == "websocket.accept" else 403), {}, ""
    told = {name.decode(): value.decode() for name, value in answers[0]["headers"]}
    return answers[0]["status"], told, b"".join(a.get("body", b"") for a in answers[1:]).decode()


@pytest.mark.parametrize("host", ["127.0.0.1", "localhost", "[::1]", "127.8.8.8"])
def test_on_loopback_this_machine_is_let_in(host):
    status, headers, _ = ask(f"http://{host}:8501/")
    assert status == 200 and headers["content-security-policy"] == POLICY


@pytest.mark.parametrize("host", ["evil.example", "127.0.0.1.evil.example", "192.168.1.5"])
def test_on_loopback_no_other_name_is_answered(host):
    status, headers, body = ask(f"http://{host}:8501/")
    assert status == 403 and not body.startswith("in")
    assert headers["content-security-policy"] == POLICY


def test_the_policy_names_no_other_server():
    sources = {source for rule in POLICY.split("; ") for source in rule.split()[1:]}
    assert sources <= {
        *("'self'", "'none'", "blob:", "data:", "'wasm-unsafe-eval'", "'unsafe-inline'")
    }
    assert "'unsafe-inline'" not in POLICY.partition("script-src")[2].partition(";")[0]


@pytest.mark.parametrize("token", [None, TOKEN])
def test_no_page_of_another_server_gets_a_socket(token):
    stream = "http://127.0.0.1:8501/_stcore/stream"
    for origin in ("http://evil.example", "http://127.0.0.1:9999", "null"):
        assert ask(stream, token, "websocket", origin=origin, cookie=COOKIE)[0] == 403
    own = "http://127.0.0.1:8501"
    assert ask(stream, token, "websocket", origin=own, cookie=COOKIE)[0] == 101


@pytest.mark.parametrize("path", ["/", "/_stcore/health", "/static/x.js", "/?token=", "/?token=ä"])
@pytest.mark.parametrize("cookie", ["", f"{cookie_name(8501)}=wrong", "=;=;\x80", COOKIE[:-1]])
def test_nothing_is_answered_without_the_token(path, cookie):
    status, _, body = ask(f"http://192.168.1.5:8501{path}", TOKEN, cookie=cookie)
    assert status == 403 and TOKEN not in body


def test_the_socket_needs_the_token_too():
    stream = "http://192.168.1.5:8501/_stcore/stream"
    assert ask(f"{stream}?token={TOKEN}", TOKEN, "websocket")[0] == 403
    assert ask(stream, TOKEN, "websocket", cookie=COOKIE)[0] == 101


def test_the_token_lets_in_and_leaves_the_address():
    there = "http://192.168.1.5:8501"
    status, headers, _ = ask(f"{there}/building?id=0042&token={TOKEN}", TOKEN)
    assert status == 303 and headers["location"] == "/building?id=0042"
    kept = headers["set-cookie"]
    assert kept.startswith(COOKIE) and "HttpOnly" in kept and "SameSite=lax" in kept
    assert ask(f"{there}/building?id=0042", TOKEN, cookie=COOKIE)[2] == "in id=0042"
    # a path that a browser would take for another server
    assert ask(f"{there}//evil.example/?token={TOKEN}", TOKEN)[1]["location"].startswith("/evil")


def test_the_token_is_taken_from_the_command_or_made(monkeypatch, capsys):
    assert token_of("127.0.0.1") is None and token_of("localhost") is None
    monkeypatch.setenv(TOKEN_VARIABLE, TOKEN)
    assert token_of("0.0.0.0") == TOKEN
    made = token_of("0.0.0.0")
    assert made != TOKEN and len(made) > 40 and made in capsys.readouterr().err
    assert token_of(None) and token_of("") != made


def test_loopback():
    assert all(map(is_loopback, ("127.0.0.1", "::1", "[::1]", "localhost")))
    assert not any(map(is_loopback, ("", "0.0.0.0", "::", "10.0.0.1", "localhost.evil.example")))
