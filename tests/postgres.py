"""A PostgreSQL server of the tests' own, in a folder of its own, reached by a socket alone."""

from __future__ import annotations

import os
import pwd
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


def binaries() -> Path | None:
    """Return the folder of the server's programs; None where there are none, or no PostGIS."""
    found = shutil.which("initdb")
    folders = [Path(found).resolve().parent] if found else []
    folders += sorted(Path("/usr/lib/postgresql").glob("*/bin"), reverse=True)
    for folder in folders:
        said = (
            subprocess.run(
                [folder / "pg_config", "--sharedir"], check=False, capture_output=True, text=True
            )
            if (folder / "pg_config").exists()
            else None
        )
        share = [Path(said.stdout.strip())] if said else []
        share.append(Path("/usr/share/postgresql") / folder.parent.name)
        if (folder / "initdb").exists() and any(
            (place / "extension" / "postgis.control").exists() for place in share
        ):
            return folder
    return None


@contextmanager
def server(programs: Path) -> Iterator[str]:
    """Start a server, and stop it at the end; give the address of a new database with PostGIS."""
    folder = Path(tempfile.mkdtemp(prefix="pg"))
    as_user = []
    if os.geteuid() == 0:  # the server does not run as root
        owner = pwd.getpwnam("postgres")
        os.chown(folder, owner.pw_uid, owner.pw_gid)
        as_user = ["runuser", "-u", "postgres", "--"]

    def run(*words: str) -> None:
        done = subprocess.run(
            [*as_user, *words], check=False, capture_output=True, text=True, cwd="/"
        )
        assert done.returncode == 0, done.stderr + done.stdout

    data, control = str(folder / "data"), str(programs / "pg_ctl")
    options = f"-c listen_addresses='' -c unix_socket_directories='{folder}' -c fsync=off"
    try:
        run(str(programs / "initdb"), "-D", data, "-U", "tester", "-A", "trust", "-E", "UTF8",
            "--locale=C", "--no-sync")  # fmt: skip
        run(control, "-D", data, "-w", "-l", str(folder / "log"), "-o", options, "start")
        run(str(programs / "createdb"), "-h", str(folder), "-U", "tester", "signs")
        yield f"postgresql://tester@/signs?host={folder}"
    finally:
        subprocess.run(
            [*as_user, control, "-D", data, "-m", "immediate", "stop"],
            check=False, capture_output=True, cwd="/",
        )  # fmt: skip
        shutil.rmtree(folder, ignore_errors=True)
