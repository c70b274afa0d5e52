"""Passphrases of the demo's people: made at random for each installation and kept in a file that only its user can read."""

from __future__ import annotations

import os
import secrets
from pathlib import Path

from django.conf import settings

from labbench.lab.models import Person

CONSONANTS, VOWELS = "bdfghjkmnprstvz", "aeiou"
HEADING = "Who signs in to the demo, and with which passphrase. Made at random for this installation.\n"


def sign_in_file() -> Path:
    return Path(settings.DATA_DIR) / "demo-sign-in.txt"


def new_passphrase() -> str:
    """Five groups of two spoken syllables, about 62 bits."""
    return "-".join("".join(secrets.choice(CONSONANTS) + secrets.choice(VOWELS) for _ in range(2)) for _ in range(5))


def keep_passphrases(passphrases: dict[str, str]) -> None:
    """Write the file, whole or not at all."""
    path = sign_in_file()
    draft = path.with_suffix(".new")
    draft.unlink(missing_ok=True)
    with os.fdopen(os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w", encoding="utf-8") as file:
        file.write(HEADING)
        file.writelines(f"{username} {passphrase}\n" for username, passphrase in passphrases.items())
    draft.replace(path)


def kept_passphrases() -> dict[str, str]:
    """As the file has them; empty where there is none."""
    path = sign_in_file()
    if not path.is_file():
        return {}
    lines = path.read_text(encoding="utf-8").splitlines()[1:]
    return dict(line.split(" ", 1) for line in lines if " " in line)


def passphrases_of(people: list[Person]) -> dict[str, str]:
    """The kept ones; whoever has none, because the file was lost, gets a new one."""
    kept = kept_passphrases()
    missing = [person for person in people if person.username not in kept]
    for person in missing:
        kept[person.username] = new_passphrase()
    if missing:
        keep_passphrases(kept)
        for person in missing:
            person.set_password(kept[person.username])
            person.save()
    return {person.username: kept[person.username] for person in people}
