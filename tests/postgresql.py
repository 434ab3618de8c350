"""A PostgreSQL server of the tests' own: Debian's package, a loopback port, an ordinary user.

PostgreSQL refuses to run as root, so a root who tests starts it as the user that the package made.
MILLIPROOF_TEST_POSTGRESQL=required turns the skip into a failure where it is not installed.
"""

from __future__ import annotations

import os
import pwd
import secrets
import shutil
import signal
import socket
import subprocess
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import psycopg
import pytest

REQUIRED = "MILLIPROOF_TEST_POSTGRESQL"
PACKAGE_USER = "postgres"
PATIENCE_S = 60.0
SETTINGS = (
    "listen_addresses=127.0.0.1",
    "unix_socket_directories=",
    "fsync=off",  # the tests end programs, not the machine
)


def programs() -> Path | None:
    """Where initdb and postgres are: the newest of Debian's versions, else the path."""
    debian = sorted(Path("/usr/lib/postgresql").glob("*/bin"), key=lambda p: float(p.parent.name))
    found = shutil.which("initdb")
    return debian[-1] if debian else Path(found).parent if found else None


def _user() -> dict[str, Any]:
    """How subprocess starts something as an ordinary user."""
    if os.geteuid() != 0:
        return {}
    known = pwd.getpwnam(PACKAGE_USER)
    return {"user": known.pw_uid, "group": known.pw_gid, "extra_groups": []}


def free_port() -> int:
    """A loopback port that nobody uses now."""
    with closing(socket.socket()) as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


@dataclass(slots=True)
class Server:
    """A cluster in a directory; ``start``, ``stop`` and ``kill`` as often as a test likes."""

    bin: Path
    data: Path
    password: str
    port: int = field(default_factory=free_port)
    process: subprocess.Popen[Any] | None = None
    used: str = "postgres"  # the database of who names none

    def url(self, database: str = "") -> str:
        """For the store."""
        address = f"127.0.0.1:{self.port}/{database or self.used}"
        return f"postgresql://milliproof:{self.password}@{address}"

    def start(self) -> None:
        """Run it, and return when it takes connections."""
        command = [str(self.bin / "postgres"), "-D", str(self.data), "-p", str(self.port)]
        for option in SETTINGS:
            command += ["-c", option]
        with (self.data.parent / "log").open("ab") as log:
            self.process = subprocess.Popen(
                command, cwd=self.data.parent, stdout=log, stderr=log, **_user()
            )
        self._await()

    def _await(self) -> None:
        last_s = time.monotonic() + PATIENCE_S
        while True:
            try:
                psycopg.connect(self.url("postgres"), connect_timeout=2).close()
                return
            except psycopg.OperationalError:
                assert self.process is not None
                assert self.process.poll() is None, (self.data.parent / "log").read_text()
                assert time.monotonic() < last_s
                time.sleep(0.05)

    def stop(self, how: signal.Signals = signal.SIGINT) -> None:
        """SIGINT: sessions are ended; SIGQUIT: at once, without tidying up, as after a power cut."""
        if self.process is not None:
            with suppress(ProcessLookupError):
                self.process.send_signal(how)
            self.process.wait(PATIENCE_S)
            self.process = None

    def kill(self) -> None:
        """End it without any tidying up; the next start recovers."""
        self.stop(signal.SIGQUIT)

    @contextmanager
    def frozen(self, sessions: Sequence[int]) -> Iterator[None]:
        """Some of its processes answer nothing until the end of the block."""
        for pid in sessions:
            os.kill(pid, signal.SIGSTOP)
        try:
            yield
        finally:
            for pid in sessions:
                os.kill(pid, signal.SIGCONT)

    def ask(self, statement: str, database: str = "") -> list[tuple[Any, ...]]:
        """What somebody else with a database tool would do."""
        url = self.url(database)
        with psycopg.connect(url, autocommit=True) as tool:
            done = tool.execute(statement.encode())
            return done.fetchall() if done.description else []

    def database(self, language: str = "") -> str:
        """A new empty database; its name. ``language``: sorts like a dictionary of it by default."""
        name = f"shop_{secrets.token_hex(4)}"
        sorting = f" TEMPLATE template0 LOCALE_PROVIDER icu ICU_LOCALE '{language}'"
        self.ask(f"CREATE DATABASE {name}{sorting if language else ''}", "postgres")
        return name


@contextmanager
def server() -> Iterator[Server]:
    """A running server until the end of the block; nothing of it stays."""
    found = programs()
    if found is None:
        words = "PostgreSQL is not installed (Debian: postgresql)"
        (pytest.fail if os.environ.get(REQUIRED) else pytest.skip)(words)
        raise AssertionError(words)
    directory = Path(tempfile.mkdtemp(prefix="milliproof-postgresql-"))
    made = Server(found, directory / "data", secrets.token_hex(8))
    try:
        _initialised(made)
        made.start()
        yield made
    finally:
        made.stop(signal.SIGQUIT)
        shutil.rmtree(directory, ignore_errors=True)


def _initialised(made: Server) -> None:
    directory = made.data.parent
    (directory / "password").write_text(made.password)
    if user := _user():
        for path in (directory, directory / "password"):
            os.chown(path, user["user"], user["group"])
    command = [str(made.bin / "initdb"), "-D", str(made.data), "-U", "milliproof"]
    command += ["-A", "scram-sha-256", "--pwfile", str(directory / "password")]
    command += ["-E", "UTF8", "--locale=C.UTF-8"]
    done = subprocess.run(command, cwd=directory, capture_output=True, text=True, **_user())
    assert done.returncode == 0, done.stderr
