"""Tiny ledgers, in SQLite and, where a server can be started, in PostgreSQL."""

import os
import pwd
import shutil
import socket
import subprocess
from pathlib import Path

import pytest

from pipeline.ledger import open_ledger


@pytest.fixture
def ledger(tmp_path):
    opened = open_ledger(tmp_path / "ledger.sqlite")
    yield opened
    opened.close()


@pytest.fixture(scope="session")
def postgres_server(tmp_path_factory):
    """URL of a PostgreSQL server on loopback: the one named, else one started for these tests."""
    named = os.environ.get("COVERPLATE_TEST_POSTGRES")
    if named:
        yield named
        return
    programs = sorted(Path("/usr/lib/postgresql").glob("*/bin"))
    found = str(programs[-1]) if programs else str(Path(shutil.which("initdb") or "").parent)
    if not Path(found, "initdb").exists():
        pytest.skip("no PostgreSQL server on this machine; set COVERPLATE_TEST_POSTGRES to a URL")
    # the server refuses to run as root; a folder of root's cannot be read by another user
    user = "postgres" if os.geteuid() == 0 else pwd.getpwuid(os.geteuid()).pw_name
    base = Path("/tmp") / f"coverplate-postgres-{os.getpid()}"
    base.mkdir()
    if os.geteuid() == 0:
        shutil.chown(base, user)

    def run(*command):
        kept = {**os.environ, "LC_ALL": "C"}
        switch = {"user": user, "group": user, "extra_groups": []} if os.geteuid() == 0 else {}
        done = subprocess.run(
            command, cwd=base, env=kept, capture_output=True, text=True, timeout=120, **switch
        )
        assert done.returncode == 0, done.stderr + done.stdout

    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    data = str(base / "data")
    run(f"{found}/initdb", "-D", data, "-U", "coverplate", "-A", "trust", "-E", "UTF8")
    options = f"-p {port} -c listen_addresses=127.0.0.1 -c unix_socket_directories={base}"
    run(f"{found}/pg_ctl", "-D", data, "-w", "-l", str(base / "log"), "-o", options, "start")
    try:
        yield f"postgresql://coverplate@127.0.0.1:{port}/postgres"
    finally:
        run(f"{found}/pg_ctl", "-D", data, "-m", "immediate", "stop")
        shutil.rmtree(base, ignore_errors=True)


@pytest.fixture
def postgres_url(postgres_server, request):
    """URL of an empty database."""
    import sqlalchemy as sa

    name = "t" + str(abs(hash(request.node.nodeid)))[:15]
    plain = postgres_server.replace("postgresql://", "postgresql+psycopg://", 1)
    engine = sa.create_engine(plain, isolation_level="AUTOCOMMIT")
    with engine.connect() as con:
        con.exec_driver_sql(f"DROP DATABASE IF EXISTS {name} WITH (FORCE)")
        con.exec_driver_sql(f"CREATE DATABASE {name}")
    yield postgres_server.rsplit("/", 1)[0] + f"/{name}"
    with engine.connect() as con:
        con.exec_driver_sql(f"DROP DATABASE IF EXISTS {name} WITH (FORCE)")
    engine.dispose()


DATABASES = ["sqlite", pytest.param("postgresql", marks=pytest.mark.postgres)]


@pytest.fixture(params=DATABASES)
def any_url(request, tmp_path):
    """A new ledger's URL on each kind of database."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'ledger.sqlite'}"
    return request.getfixturevalue("postgres_url")


@pytest.fixture
def any_ledger(any_url):
    opened = open_ledger(any_url)
    yield opened
    opened.close()
