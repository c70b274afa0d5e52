"""Which code computed a result: the version, and a fingerprint of the science and of the libraries below it."""

from __future__ import annotations

import hashlib
from functools import cache
from importlib.metadata import version
from pathlib import Path

import labbench


@cache
def code_version() -> str:
    """E.g. ``0.1.0+3f2a9c41d0b7``: another fingerprint means that a stored result may come out differently today."""
    digest = hashlib.sha256()
    root = Path(labbench.__file__).parent
    for folder in ("science", "formats"):
        for path in sorted((root / folder).rglob("*.py")):
            digest.update(path.relative_to(root).as_posix().encode() + b"\0" + path.read_bytes() + b"\0")
    for package in ("numpy", "scipy"):
        digest.update(f"{package} {version(package)}".encode())
    return f"{labbench.__version__}+{digest.hexdigest()[:12]}"
