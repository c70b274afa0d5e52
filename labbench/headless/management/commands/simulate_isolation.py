"""Benchmark of the search for a cause: many simulated studies, played by several plans."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import asdict
from multiprocessing import get_context
from pathlib import Path
from typing import TYPE_CHECKING, Any

from django.conf import settings
from django.core.management.base import CommandParser
from tqdm import tqdm

from labbench.headless.documents import DocumentCommand

if TYPE_CHECKING:
    from labbench.science.isolation_benchmark import BenchmarkRow, Chunk

POLL_SECONDS = 0.5
FOLDER = "simulated_studies"


class Command(DocumentCommand):
    help = (
        "Play simulated studies with a known cause: false accusations, misses and coupons of the sequential search "
        "and of fixed plans. Goes on where it was stopped. Prints a table; --out writes JSON."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--out", metavar="FILE", help="also write the numbers as JSON")
        parser.add_argument("--studies", type=int, default=1000, help="studies a plan and truth (default 1000)")
        parser.add_argument("--seed", type=int, default=20260101, help="seed of all random numbers (default 20260101)")
        parser.add_argument("--plan", action="append", metavar="NAME", help="only this plan; may be given repeatedly")
        parser.add_argument(
            "--folder", type=Path, help=f"where finished chunks are kept (default: {FOLDER}/ in the data folder)"
        )
        parser.add_argument("--processes", type=int, default=os.cpu_count() or 1, help="default: one a core")
        parser.add_argument(
            "--queue", action="store_true", help="let the queue's workers play; they must see the same folder"
        )

    def handle(self, *args: Any, studies: int, seed: int, processes: int, queue: bool, **options: Any) -> None:
        # slow import: scipy
        from labbench.analysis.simulated_studies import open_folder, stored_tally
        from labbench.science.isolation_benchmark import PLANS, chunks

        names = options["plan"] or [plan.name for plan in PLANS]
        faults = [
            f"--plan: {name} is none of: {'; '.join(p.name for p in PLANS)}"
            for name in names
            if name not in {p.name for p in PLANS}
        ]
        faults += [f"--{name}: {n} is below 1" for name, n in (("studies", studies), ("processes", processes)) if n < 1]
        faults += [f"--seed: {seed} is negative"] if seed < 0 else []
        folder = (options["folder"] or settings.DATA_DIR / FOLDER).resolve()
        try:
            if not faults:
                open_folder(folder, seed=seed)
        except (ValueError, OSError) as error:
            faults.append(f"--folder: {error}")
        if faults:
            self.refuse(faults)
        asked = chunks(studies, plans=[plan for plan in PLANS if plan.name in names])
        waiting = [chunk for chunk in asked if stored_tally(folder, chunk) is None]
        play = played_by_queue(folder, waiting, seed) if queue else played_here(folder, waiting, seed, processes)
        done = sum(chunk.studies for chunk in asked) - sum(chunk.studies for chunk in waiting)
        try:
            with tqdm(desc="Simulating", unit=" studies", total=studies_in(asked), initial=done, disable=None) as bar:
                for chunk in play:
                    bar.update(chunk.studies)
        except KeyboardInterrupt:
            self.refuse([f"Stopped; what is finished is kept in {folder}. The same command goes on from there."])
        except RuntimeError as error:
            self.refuse([str(error)])
        rows = table_rows(folder, asked)
        self.stdout.write("\n".join(table_lines(rows)))
        if options["out"]:
            document = {"seed": seed, "studies": studies, "method": "simulated", "rows": [asdict(row) for row in rows]}
            self.write(document, options["out"])


def studies_in(asked: list[Chunk]) -> int:
    """Studies of all chunks."""
    return sum(chunk.studies for chunk in asked)


def played_here(folder: Path, waiting: list[Chunk], seed: int, processes: int) -> Iterator[Chunk]:
    """Each chunk once a process of this machine has played it."""
    from labbench.analysis.simulated_studies import play_and_store

    if processes == 1:
        for chunk in waiting:
            play_and_store(folder, chunk, seed)
            yield chunk
        return
    # A process keeps to one core; they inherit this.
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    with ProcessPoolExecutor(processes, get_context("spawn"), initializer=prepare) as pool:
        begun = {pool.submit(play_and_store, folder, chunk, seed): chunk for chunk in waiting}
        try:
            for future in as_completed(begun):
                future.result()
                yield begun[future]
        finally:
            pool.shutdown(cancel_futures=True)


def prepare() -> None:
    """Make Django known to a new process."""
    import django

    django.setup()


def played_by_queue(folder: Path, waiting: list[Chunk], seed: int) -> Iterator[Chunk]:
    """Each chunk once a worker of the queue has played it; RuntimeError where its job failed or was cancelled."""
    from labbench.analysis.simulated_studies import enqueue_chunk, stored_tally
    from labbench.jobs.models import Job
    from labbench.jobs.services import cancel

    jobs = {enqueue_chunk(folder, chunk, seed).pk: chunk for chunk in waiting}
    try:
        while jobs:
            for job in Job.objects.filter(pk__in=list(jobs)).exclude(state__in=["queued", "running"]):
                if job.state != Job.State.DONE or stored_tally(folder, jobs[job.pk]) is None:
                    raise RuntimeError(f"{job}: {job.reason or 'no result'}")
                yield jobs.pop(job.pk)
            time.sleep(POLL_SECONDS if jobs else 0)
    finally:
        for job in Job.objects.filter(pk__in=list(jobs)):
            cancel(job=job)


def table_rows(folder: Path, asked: list[Chunk]) -> list[BenchmarkRow]:
    """A row per plan and truth, and two mixtures of truths per plan."""
    from labbench.analysis.simulated_studies import stored_tally
    from labbench.science.isolation_benchmark import Tally, benchmark_row, mixed_row, prior_shares
    from labbench.science.isolation_simulation import TRUTHS

    rows = []
    for plan in dict.fromkeys(chunk.plan for chunk in asked):
        tallies = {truth: Tally() for truth in TRUTHS}
        for chunk in asked:
            if chunk.plan == plan and (tally := stored_tally(folder, chunk)):
                tallies[chunk.truth].add(tally)
        rows += [benchmark_row(plan.name, truth, tally) for truth, tally in tallies.items()]
        rows.append(mixed_row(plan.name, "mixed as the prior weights", tallies, prior_shares()))
        rows.append(mixed_row(plan.name, "all five equally often", tallies, dict.fromkeys(TRUTHS, 0.2)))
    return rows


def table_lines(rows: list[BenchmarkRow]) -> list[str]:
    """The rows as a Markdown table; rates in percent with their 95 % limits."""

    def rate(of: Any) -> str:
        return f"{100 * of.share:.1f} ({100 * of.low:.1f}-{100 * of.high:.1f})"

    heads = [
        "plan",
        "truth",
        "false %",
        "missed %",
        "no conclusion %",
        "guilty cleared %",
        "coupons: median",
        "90 %",
        "loads",
    ]
    lines = [f"| {' | '.join(heads)} |", "|" + " --- |" * len(heads)]
    for row in rows:
        rates = (rate(of) for of in (row.false, row.missed, row.open, row.guilty_cleared))
        numbers = (f"{n:g}" for n in (row.median_coupons, row.ninety_percent_coupons, row.median_loads))
        lines.append(f"| {' | '.join([row.plan, row.truth, *rates, *numbers])} |")
    return lines
