"""Chunks of simulated studies, each stored as a small file so that a benchmark can go on where it stopped.

The files of one benchmark lie in one folder, with the seed and a fingerprint of the code that made them. A chunk is done
by whoever asks: a process of the command, or a queue worker that sees the same folder.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
from dataclasses import asdict
from pathlib import Path
from typing import Any

from labbench.analysis.tasks import STUDIES_TASK
from labbench.jobs.models import Job
from labbench.jobs.services import JobRefused, Running, enqueue
from labbench.science import isolation_benchmark
from labbench.science.isolation_benchmark import Chunk, Plan, Tally, play_chunk

IMPORTED = re.compile(r"^\s*from labbench\.science\.(\w+) import", re.MULTILINE)
HEADER = "benchmark.json"


def benchmark_code() -> str:
    """A fingerprint of the modules that the simulated studies run through."""
    folder = Path(isolation_benchmark.__file__).parent
    waiting, sources = {"isolation_benchmark"}, dict[str, str]()
    while waiting:
        name = waiting.pop()
        sources[name] = (folder / f"{name}.py").read_text(encoding="utf-8")
        waiting |= set(IMPORTED.findall(sources[name])) - sources.keys()
    return hashlib.sha256(json.dumps(sources, sort_keys=True).encode()).hexdigest()[:12]


def open_folder(folder: Path, *, seed: int) -> None:
    """Make the folder of a benchmark, or go on in it.

    Raises
    ------
    ValueError
        If the folder holds the results of another seed or of other code: they would not add up.
    """
    header = {"seed": seed, "code": benchmark_code()}
    path = folder / HEADER
    if path.exists():
        known = json.loads(path.read_text(encoding="utf-8"))
        for name, words in (("seed", "another seed"), ("code", "another version of the code")):
            if known.get(name) != header[name]:
                raise ValueError(f"{folder} holds results of {words}: name another folder, or empty it")
        return
    folder.mkdir(parents=True, exist_ok=True)
    write_whole(path, header)


def chunk_path(folder: Path, chunk: Chunk) -> Path:
    """Where the sums of a chunk are stored."""
    plan = re.sub(r"[^a-z0-9]+", "-", chunk.plan.name.lower())
    return folder / f"{plan}_{chunk.truth}_{chunk.first}_{chunk.studies}.json"


def stored_tally(folder: Path, chunk: Chunk) -> Tally | None:
    """The sums of a chunk, None where it has not been played."""
    path = chunk_path(folder, chunk)
    return Tally.of_plain(json.loads(path.read_text(encoding="utf-8"))) if path.exists() else None


def play_and_store(folder: Path, chunk: Chunk, seed: int) -> None:
    """Play a chunk and store its sums; nothing to do where they are stored already."""
    if not chunk_path(folder, chunk).exists():
        write_whole(chunk_path(folder, chunk), play_chunk(chunk, seed=seed).plain())


def write_whole(path: Path, content: dict[str, Any]) -> None:
    """Write a file so that a reader never finds half of it."""
    part = path.with_name(f".{path.name}.{os.getpid()}")
    part.write_text(json.dumps(content), encoding="utf-8")
    part.replace(path)


def enqueue_chunk(folder: Path, chunk: Chunk, seed: int) -> Job:
    """Ask the queue's workers for a chunk."""
    return enqueue(
        task=STUDIES_TASK,
        title=f"Simulated studies: {chunk.plan.name}, {chunk.truth}, {chunk.studies} from {chunk.first + 1}",
        arguments={"folder": str(folder), "chunk": asdict(chunk), "seed": seed},
    )


def play_for_queue(hold: Running) -> None:
    """The chunk that a job asks for."""
    arguments = hold.job.arguments
    folder, asked = Path(arguments["folder"]), arguments["chunk"]
    if not folder.is_dir():
        raise JobRefused(f"This worker can't see the folder {folder}.")
    hold.progress(0, 1, "playing")
    play_and_store(folder, Chunk(**{**asked, "plan": Plan(**asked["plan"])}), arguments["seed"])
    hold.progress(1, 1)
