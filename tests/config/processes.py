"""Which processes of an installation are running, found by their data folder."""

from __future__ import annotations

import socket
import urllib.request
from contextlib import closing
from pathlib import Path


def processes_of(folder: Path) -> dict[int, str]:
    """Process id -> command line, of everything that runs with this data folder (Linux)."""
    found = {}
    for entry in Path("/proc").iterdir():
        if not entry.name.isdigit():
            continue
        try:
            environment = (entry / "environ").read_bytes().split(b"\0")
            command = (entry / "cmdline").read_bytes().replace(b"\0", b" ").decode().strip()
        except OSError:
            continue
        # A process that has ended and was not yet waited for has no command line.
        if f"LABBENCH_DATA_DIR={folder}".encode() in environment and command:
            found[int(entry.name)] = command
    return found


def workers_of(folder: Path) -> list[int]:
    return [pid for pid, command in processes_of(folder).items() if "manage.py worker" in command]


def free_port() -> int:
    with closing(socket.socket()) as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def answers(port: int) -> bool:
    try:
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/health", timeout=2) as answer:
            return bool(answer.status == 200)
    except OSError:
        return False
