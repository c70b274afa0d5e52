"""Makes the demo's records from a seed, and writes them as readable JSON."""

from __future__ import annotations

import json
from pathlib import Path
from random import Random
from typing import Any

from labbench.demo import logger_traces
from labbench.demo.lab_records import lab_records
from labbench.demo.scenario import dose_study, elimination_study, qualification_study, small_study, winter_study

SEED = 27
STUDIES = {
    "elimination": elimination_study,
    "qualification": qualification_study,
    "small": small_study,
    "dose": dose_study,
    "winter": winter_study,
}


def scenario(seed: int = SEED) -> dict[str, dict[str, Any]]:
    """File name -> document. Each has a random stream of its own, so that one can change and leave the others as they are."""
    documents = {"lab.json": lab_records(Random(f"{seed} lab"))}
    return documents | {f"study-{name}.json": make(Random(f"{seed} {name}")) for name, make in STUDIES.items()}


def text_of(document: dict[str, Any]) -> str:
    """JSON with one record a line."""
    parts = []
    for name, value in document.items():
        if isinstance(value, list):
            rows = ",\n".join(f"  {json.dumps(row, ensure_ascii=False)}" for row in value)
            written = f"[\n{rows}\n ]" if rows else "[]"
        else:
            written = json.dumps(value, ensure_ascii=False)
        parts.append(f" {json.dumps(name)}: {written}")
    return "{\n" + ",\n".join(parts) + "\n}\n"


def write(folder: Path, seed: int = SEED) -> list[Path]:
    """Write the scenario into a folder; gives the files."""
    folder.mkdir(parents=True, exist_ok=True)
    documents = scenario(seed)
    texts = {name: text_of(document) for name, document in documents.items()}
    texts[logger_traces.FILE] = logger_traces.logger_text(documents[logger_traces.STUDY_FILE], seed)
    written = []
    for name, text in texts.items():
        path = folder / name
        path.write_text(text, encoding="utf-8", newline="\n")
        written.append(path)
    return written
