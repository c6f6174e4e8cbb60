"""A PostgreSQL server of one's own for the tests: Debian's programs, a scratch folder, a free port on loopback."""

import os
import shutil
import socket
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest


def programs() -> Path:
    """The folder of initdb and pg_ctl; skips the test where there is none."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda path: int(path.parts[-3]))
    on_path = shutil.which("initdb")
    if not found and not on_path:
        pytest.skip("PostgreSQL's programs are not installed (Debian: postgresql)")
    return found[-1].parent if found else Path(str(on_path)).parent


@contextmanager
def server(*, on_disk: bool = False) -> Iterator[str]:
    """Start a server and yield its URL without a database; it and its files are gone afterwards.

    PostgreSQL refuses to run as root: root hands over to the user that Debian made for it. Unless ``on_disk``, its
    files are kept in memory where the system has room for that, and nothing is synced to disk.
    """
    programs_folder = programs()
    other = {"user": "postgres", "group": "postgres", "extra_groups": []} if os.geteuid() == 0 else {}

    def run(name: str, *arguments: str) -> None:
        subprocess.run(
            [str(programs_folder / name), *arguments], cwd="/", check=True, capture_output=True, **other
        )

    memory = Path("/dev/shm")
    roomy = os.access(memory, os.W_OK) and shutil.disk_usage(memory).free > 1e9  # containers often have 64 MB
    with tempfile.TemporaryDirectory(
        prefix="xsect-pg-", dir=memory if roomy and not on_disk else None
    ) as scratch:
        if other:
            shutil.chown(scratch, "postgres", "postgres")
        data = f"{scratch}/data"
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            port = free.getsockname()[1]
        run("initdb", "-D", data, "-U", "xsect", "-A", "trust", "--locale=C.UTF-8", "-E", "UTF8", "--no-sync")
        options = f"-p {port} -c listen_addresses=127.0.0.1 -c unix_socket_directories={scratch}"
        options += "" if on_disk else " -c fsync=off"
        run("pg_ctl", "-D", data, "-w", "-l", f"{scratch}/log", "-o", options, "start")
        try:
            yield f"postgresql://xsect@127.0.0.1:{port}"
        finally:
            run("pg_ctl", "-D", data, "-m", "immediate", "-w", "stop")
