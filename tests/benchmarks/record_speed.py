"""How long a record takes: numbers of a night, the whole document, verifying it, the PDF.

Run as ``python tests/benchmarks/record_speed.py``. An estate of 22 panels, ten hours of cure,
five series that speak every 5 s (the chain as short as one job). Best of several rounds.
"""

from __future__ import annotations

import json
import tempfile
import timeit
from pathlib import Path
from typing import TYPE_CHECKING

from envmon.job.record_measured import measured
from envmon.job.record_page import page
from envmon.job.record_told import until_us
from envmon.service.record.chain import history_of, job_from
from envmon.service.record.make import document_of, scene_of
from envmon.service.record.pdf import pdf_from
from envmon.service.record.verifying import checked
from envmon.service.record.verifying_shop import held_to_shop
from tests.record_support import JOB, Story

if TYPE_CHECKING:
    from collections.abc import Callable

PANELS = [f"Panel {n}" for n in range(1, 23)]


def best_ms(run: Callable[[], object], rounds: int = 5) -> float:
    return min(timeit.repeat(run, number=1, repeat=rounds)) * 1000


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        story = Story(Path(name), panels=PANELS)
        end = story.whole()
        story.hear((-5, end), every_s=5.0)
        desk = story.desk(end + 10)
        raw = desk.handed_out(JOB, "json")
        story.enter_asked(end + 11)
        history = history_of(story.store, JOB)
        job = job_from(history.events, JOB)
        assert job is not None
        until = until_us(job, desk.now_us)
        scene, taken_us = scene_of(desk, job, until)
        document = json.loads(raw)
        count = sum(len(said.t_us) for said in scene.said.values())
        html = page(document)
        lines = {
            f"numbers and charts of {count} readings": lambda: measured(
                job, scene, until, taken_us
            ),
            "readings from the store": lambda: scene_of(desk, job, until),
            "whole document": lambda: document_of(desk, history, job),
            "verify the file": lambda: checked(raw),
            "verify against the shop": lambda: held_to_shop(
                checked(raw), document, story.shop_file, None
            ),
            "page": lambda: page(document),
        }
        for what, run in lines.items():
            print(f"{what:<42} {best_ms(run):9.1f} ms")
        print(f"{'PDF':<42} {best_ms(lambda: pdf_from(html), 2):9.1f} ms")
        print(f"{'size of the JSON':<42} {len(raw) / 1000:9.1f} kB")


if __name__ == "__main__":
    main()
