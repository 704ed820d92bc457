"""A PostgreSQL with PostGIS of our own, from Debian's packages, for the length of a test run."""

from __future__ import annotations

import os
import pwd
import shutil
import subprocess
import tempfile
from contextlib import contextmanager
from pathlib import Path
from typing import Dict, Iterator, List, Tuple


class Postgis:
    """A running server; it listens on a socket in its own folder alone."""

    def __init__(self, folder: Path, user: str) -> None:
        self.folder, self.user = folder, user

    @property
    def environment(self) -> Dict[str, str]:
        """For psql."""
        return {**os.environ, "PGHOST": str(self.folder), "PGUSER": self.user,
                "PGDATABASE": "postgres"}

    def rows(self, sql: str) -> List[List[str]]:
        """Run SQL; the rows of its queries."""
        done = subprocess.run(
            ["psql", "-X", "-At", "-q", "-v", "ON_ERROR_STOP=1"], input=sql, text=True,
            capture_output=True, env=self.environment, check=False)
        assert done.returncode == 0, done.stderr
        return [line.split("|") for line in done.stdout.splitlines()]

    @property
    def version(self) -> Tuple[int, int]:
        first, second = self.rows("SELECT postgis_lib_version()")[0][0].split(".")[:2]
        return int(first), int(second)


@contextmanager
def postgis_server() -> Iterator[Postgis]:
    """Start a server in a temporary folder, and stop it."""
    programs = _programs()
    # PostgreSQL does not run as root. A socket's path must be short, so not in pytest's folder.
    user = "postgres" if os.getuid() == 0 else pwd.getpwuid(os.getuid()).pw_name
    as_user = ["runuser", "-u", user, "--"] if os.getuid() == 0 else []
    folder = Path(tempfile.mkdtemp(prefix="sitetie-pg-", dir="/tmp"))
    data = folder / "data"
    options = f"-c listen_addresses= -c unix_socket_directories={folder} -c fsync=off"
    started = False

    def run(*command: object) -> None:
        done = subprocess.run([*as_user, *map(str, command)], cwd=folder, capture_output=True,
                              text=True, check=False)
        assert done.returncode == 0, done.stdout + done.stderr

    try:
        if as_user:
            shutil.chown(folder, user)
        run(programs / "initdb", "-D", data, "-U", user, "-A", "trust", "-E", "UTF8",
            "--locale=C", "--no-sync")
        # With a log of its own, or the server would hold on to our pipes.
        run(programs / "pg_ctl", "-D", data, "-w", "-l", folder / "log", "-o", options, "start")
        started = True
        server = Postgis(folder, user)
        server.rows("CREATE EXTENSION postgis")
        yield server
    finally:
        if started:
            run(programs / "pg_ctl", "-D", data, "-w", "-m", "immediate", "stop")
        shutil.rmtree(folder, ignore_errors=True)


def _programs() -> Path:
    """The newest server that has PostGIS."""
    found = [int(path.parents[1].name)
             for path in Path("/usr/share/postgresql").glob("*/extension/postgis.control")]
    assert found, "PostGIS is not installed; bash tests/run.sh does that."
    return Path(f"/usr/lib/postgresql/{max(found)}/bin")
