"""The code keeps its own order: imports point down, lint and types hold."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent.parent


def run(*command: str) -> None:
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr


def test_imports_point_down():
    run(str(Path(sys.executable).with_name("lint-imports")))


def test_the_code_is_clean():
    run(sys.executable, "-m", "ruff", "check", ".")


def test_the_types_hold():
    run(sys.executable, "-m", "mypy", "labbench")
    run(sys.executable, "-m", "mypy", "--strict", "labbench/science", "labbench/formats")
