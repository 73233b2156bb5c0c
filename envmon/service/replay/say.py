"""A replay asked for on the command line: run, printed, drawn."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

from envmon.errors import InputError
from envmon.service.replay.as_json import answer_json
from envmon.service.replay.command import replay
from envmon.service.replay.text import Bar, print_answer
from envmon.service.replay.words import nothing_line

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from envmon.service.replay.command import Answer, Question


def replay_and_say(
    question: Question, say: Callable[[str], None], *, as_json: bool, out: Path | None
) -> int:
    """Run a replay, print and draw what it says, and return the exit code.

    Args:
        question: What is asked.
        say: Takes a line for the person, off stdout.
        as_json: Print one JSON document instead of text.
        out: Page to write, or None.

    Returns:
        0, or 1 when nothing is kept of the span.

    Raises:
        InputError: The page cannot be written, or what is asked does not fit.
    """
    with Bar() as bar:
        answer = replay(question, bar)
    for note in answer.notes:
        say(note)
    if as_json:
        sys.stdout.write(answer_json(answer) + "\n")
    if answer.own is None:
        say(nothing_line(answer))
        return 1
    if not as_json:
        print_answer(answer, question.stages)
    if out is not None:
        _write(answer, question, out)
        say(f"written: {out}")
    return 0


def _write(answer: Answer, question: Question, out: Path) -> None:
    from envmon.service.replay.page import page  # noqa: PLC0415 - only when asked for

    try:
        out.write_text(page(answer, question.stages), encoding="utf-8")
    except OSError as error:
        raise InputError(f"cannot write {out}: {error}; give --out another place") from error
