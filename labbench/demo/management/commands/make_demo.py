"""Write the demo's records into fixtures/."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandParser

from labbench.demo.generator import SEED, write


class Command(BaseCommand):
    help = "Make the demo's records from a seed and write them into a folder (default: fixtures/)."
    requires_system_checks = []

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--folder", type=Path, default=settings.BASE_DIR / "fixtures")
        parser.add_argument("--seed", type=int, default=SEED)

    def handle(self, *args: Any, folder: Path, seed: int, **options: Any) -> None:
        for path in write(folder, seed):
            self.stdout.write(f"{path} ({path.stat().st_size / 1024:.0f} kB)")
