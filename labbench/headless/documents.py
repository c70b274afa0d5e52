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
        self.is_standard_input_read = False

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument(
            "--out", default="-", metavar="FILE", help="where to write the document (default: standard output)"
        )

    def open(self, name: str) -> BinaryIO:
        """The bytes of a file, or of standard input for ``-``, to be read in pieces."""
        try:
            if name == "-":
                if sys.stdin is None:
                    self.refuse(["standard input is closed"])
                if self.is_standard_input_read:
                    self.refuse(["only one file can come from standard input"])
                self.is_standard_input_read = True
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
        text = (json.dumps(document, ensure_ascii=False, allow_nan=False, indent=1) + "\n").encode()
        if out == "-":
            self.write_to_standard_output(text)
            return
        try:
            # Through a link to what it points to, so that the link stays.
            target = Path(out).resolve()
            if not out or target.is_dir():
                self.refuse([f"--out {out}: is a folder" if out else "--out: names no file"])
            if target in self.inputs:
                self.refuse([f"--out {out}: is a file that was read; it would be lost"])
            if target.exists() and not target.is_file():
                # A device or a pipe is written into; a file moved to its place would do away with it.
                target.write_bytes(text)
            else:
                replace_file(target, text)
        except OSError as error:
            self.refuse([f"--out {out}: {error.strerror or error}"])

    def write_to_standard_output(self, text: bytes) -> None:
        """Write everything, or say why not."""
        if sys.stdout is None:
            self.refuse(["standard output is closed"])
        try:
            sys.stdout.buffer.write(text)
            sys.stdout.buffer.flush()
        except OSError as error:
            # What is left in the buffer would be written, and refused, again at the end of the process.
            with open(os.devnull, "wb") as nowhere:
                os.dup2(nowhere.fileno(), sys.stdout.fileno())
            self.refuse([f"standard output: {error.strerror or error}"])


def replace_file(target: Path, text: bytes) -> None:
    """Put a file in place in one step; whoever may read the one that was there may read this one."""
    mode = target.stat().st_mode & 0o777 if target.exists() else 0o666 & ~current_umask()
    handle, name = tempfile.mkstemp(dir=target.parent, prefix=f".{target.name[:100]}.")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(text)
        os.chmod(name, mode)
        os.replace(name, target)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise


def current_umask() -> int:
    """The umask, which can only be read by setting it."""
    mask = os.umask(0)
    os.umask(mask)
    return mask
