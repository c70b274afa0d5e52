"""The demo: an invented workshop's lab with four studies, analysed through the queue, and served."""

from __future__ import annotations

import sys
import time
from typing import Any

from django.conf import settings
from django.core.exceptions import ValidationError
from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import DatabaseError, transaction
from tqdm import tqdm

from labbench.analysis.models import Analysis
from labbench.analysis.services import request_analysis
from labbench.demo.lab_records import PEOPLE
from labbench.demo.loader import STUDY_FILES, load_demo, read
from labbench.demo.sign_in import keep_passphrases, new_passphrase, passphrases_of, sign_in_file
from labbench.demo.verdict_table import verdict_table
from labbench.jobs.models import Job
from labbench.jobs.worker_process import WorkerProcess
from labbench.lab.models import Person
from labbench.pages.server import PortTaken, address_of, interruptible, listen, serve
from labbench.studies.models import Study

FURTHER_PORTS = 20
FIXTURES = settings.BASE_DIR / "fixtures"
POLL_SECONDS = 0.25


class Command(BaseCommand):
    help = "Load four invented studies, analyse them through the queue, print the verdicts and serve until Ctrl-C."
    requires_system_checks = []

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--port", type=int, default=8000, help="default 8000; if it is taken, the next free one")
        parser.add_argument("--no-serve", action="store_true", help="stop after the verdicts")

    def handle(self, *args: Any, port: int, no_serve: bool, **options: Any) -> None:
        worker = WorkerProcess()
        listening = None
        try:
            with interruptible():
                if not no_serve:
                    listening = listen("127.0.0.1", port, further_ports=FURTHER_PORTS)
                self.prepare()
                worker.start()
                self.analyse()
                people = self.sign_in_lines()
                if listening is None:
                    self.stdout.write(people)
                    return
                address = address_of(listening)
                serve(
                    listening,
                    worker=worker,
                    say=self.say,
                    welcome=f"\nOpen {address} and sign in.\n{people}\nCtrl-C stops.",
                )
        except PortTaken as taken:
            raise CommandError(str(taken)) from taken
        except DatabaseError as error:
            raise CommandError(f"The database can't be used: {str(error).strip()}") from error
        except KeyboardInterrupt:
            self.stderr.write("Stopped. Start it again to go on.")
            sys.exit(130)
        finally:
            if listening is not None:
                listening.close()
            worker.stop()

    def say(self, text: str) -> None:
        self.stdout.write(text)
        self.stdout.flush()

    def prepare(self) -> None:
        """The tables, and the scenario where there is no study yet."""
        self.say("Preparing the database ...")
        call_command("migrate", verbosity=0, interactive=False)
        codes = demo_codes()
        if Study.objects.filter(code__in=codes).count() == len(codes):
            return
        if Study.objects.exists():
            raise CommandError(
                "This installation holds studies of its own, so the demo is not loaded into it. "
                "Give the demo a folder of its own with LABBENCH_DATA_DIR, and no DATABASE_URL."
            )
        passphrases = {row["username"]: new_passphrase() for row in PEOPLE}
        with tqdm(desc="Loading the demo", unit=" records", disable=None, leave=False) as bar, transaction.atomic():
            try:
                load_demo(FIXTURES, passphrases=passphrases, progress=lambda done, total: advance(bar, done, total))
            except ValidationError as refused:
                raise CommandError(f"The demo could not be loaded: {' '.join(refused.messages)}") from refused
            keep_passphrases(passphrases)

    def analyse(self) -> None:
        """Each study's analysis as the pages would ask for it, and its verdicts."""
        lead = Person.objects.get(username="lead")
        asked = [
            request_analysis(study=study, by=lead)
            for study in Study.objects.filter(code__in=demo_codes()).order_by("code")
        ]
        wait_for([analysis.job_id for analysis in asked])
        for analysis in (
            Analysis.objects.filter(pk__in=[a.pk for a in asked]).select_related("study", "job").order_by("study__code")
        ):
            self.say(f"\n{analysis.study}")
            self.say(
                verdict_table(analysis.result) if analysis.result is not None else f"No result: {analysis.job.reason}"
            )

    def sign_in_lines(self) -> str:
        people = list(Person.objects.filter(username__in=[row["username"] for row in PEOPLE]).order_by("pk"))
        passphrases = passphrases_of(people)
        lines = [
            f"  {p.username:<12} {passphrases[p.username]:<26} {p.get_role_display()}" for p in people if p.is_active
        ]
        return "\n".join(["", *lines, f"  (also in {sign_in_file()})"])


def demo_codes() -> list[str]:
    return [read(FIXTURES / name)["study"]["code"] for name in STUDY_FILES]


def advance(bar: Any, done: int, total: int | None) -> None:
    bar.total = total
    bar.update(done - bar.n)


def wait_for(job_ids: list[Any]) -> None:
    """Until every job has ended, however it ended."""
    with tqdm(desc="Analysing", unit=" steps", disable=None, leave=False) as bar:
        while True:
            jobs = list(Job.objects.filter(pk__in=job_ids))
            advance(
                bar,
                sum(job.total if not job.is_open else job.done for job in jobs),
                sum(job.total for job in jobs) or None,
            )
            if not any(job.is_open for job in jobs):
                return
            time.sleep(POLL_SECONDS)
