"""How the headless commands read their input and write their one JSON document."""

from __future__ import annotations

import json
import os
import sys
import tempfile
from collections.abc import Iterable
from pathlib import Path
from typing import Any, BinaryIO, NoReturn

from django.core.management.base import BaseCommand, CommandParser

BAD_INPUT = 2


class DocumentCommand(BaseCommand):
    """A command that writes one JSON document; bad input is listed on standard error and ends with exit code 2.

    It touches no database, so it runs without one.
    """

    requires_system_checks: list[str] = []

    def __init__(self, *arguments: Any, **options: Any) -> None:
        super().__init__(*arguments, **options)
        self.inputs: list[Path] = []

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument(
            "--out", default="-", metavar="FILE", help="where to write the document (default: standard output)"
        )

    def open(self, name: str) -> BinaryIO:
        """The bytes of a file, or of standard input for ``-``, to be read in pieces."""
        try:
            if name == "-":
                return sys.stdin.buffer
            self.inputs.append(Path(name).resolve())
            return Path(name).open("rb")
        except OSError as error:
            self.refuse([f"{name}: {error.strerror or error}"])

    def refuse(self, lines: Iterable[str]) -> NoReturn:
        """Say what is wrong with the input, a fault a line, and end."""
        for line in lines:
            self.stderr.write(line, self.style.NOTICE if self.stderr.isatty() else lambda text: text)
        sys.exit(BAD_INPUT)

    def write(self, document: dict[str, Any], out: str) -> None:
        """Write the document whole or not at all: a reader never finds half a file."""
        text = json.dumps(document, ensure_ascii=False, allow_nan=False, indent=1) + "\n"
        if out == "-":
            sys.stdout.buffer.write(text.encode())
            sys.stdout.buffer.flush()
            return
        target = Path(out)
        if target.resolve() in self.inputs:
            self.refuse([f"--out {out}: is a file that was read; it would be lost"])
        try:
            handle, name = tempfile.mkstemp(dir=target.parent, prefix=f".{target.name}.")
            with os.fdopen(handle, "w", encoding="utf-8") as file:
                file.write(text)
            os.chmod(name, 0o666 & ~current_umask())
            os.replace(name, target)
        except OSError as error:
            self.refuse([f"--out {out}: {error.strerror or error}"])


def current_umask() -> int:
    """The umask, which can only be read by setting it."""
    mask = os.umask(0)
    os.umask(mask)
    return mask
