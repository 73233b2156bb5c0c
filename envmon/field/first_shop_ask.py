"""``envmon new``: asks until every answer is one that ``envmon check`` lets pass."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple
from zoneinfo import available_timezones

from envmon.errors import InputError
from envmon.field.files import write_new
from envmon.field.first_shop import (
    BROKERS,
    FUELS,
    NOT_KNOWN,
    Answers,
    BayAnswer,
    faults_of,
    shop_text,
    short_name,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

MOST_BAYS = 20


class Talk(NamedTuple):
    """How a person is talked to.

    Attributes:
        ask: Asks with a proposal.
        say: Says a line.
    """

    ask: Callable[[str, str], str]
    say: Callable[[str], None]


_QUESTIONS = (
    ("name", "What is the shop called?"),
    ("site", "A short name for topics and files"),
    ("timezone", "Time zone, such as Europe/Oslo"),
    ("units", "Units people read: metric or us"),
    ("bays", ""),
    ("heat", f"What heats, or {NOT_KNOWN}"),
    ("broker", f"Broker: {' or '.join(BROKERS)}"),
    ("reach", "That name, or nothing: they do not reach it"),
)
_SAID_BEFORE = {
    "heat": f"Heating: {', '.join(FUELS)}.",
    "broker": (
        f"A broker takes what sensors send. {BROKERS[0]}: nothing more to install, for this "
        f"machine alone. {BROKERS[1]}: also for sensors on other machines, and for good."
    ),
    "reach": "Phones, tablets and nodes reach this machine by a name, such as workshop.local.",
}


def machine_timezone(localtime: Path = Path("/etc/localtime")) -> str:
    """Return the time zone this machine is set to, UTC where that cannot be told.

    Args:
        localtime: Link to the zone's file (localtime(5)).
    """
    name = str(localtime.resolve()).partition("zoneinfo/")[2]
    return name if name in available_timezones() else "UTC"


def new_shop(place: Path, given: Mapping[str, Any], timezone: str, talk: Talk | None) -> str:
    """Write a first shop file and return what was done in words.

    Args:
        place: File to write; one that is there is never replaced.
        given: Answers known already, by the name of the field in ``Answers``.
        timezone: The machine's time zone, as a proposal.
        talk: The person; None takes what is proposed for the rest.

    Raises:
        InputError: The file is there already, or an answer of ``given`` is not allowed.
    """
    if place.exists() or place.is_symlink():
        raise InputError(f"{place} is there already and is left alone; give another name")
    answers = Answers(timezone=timezone)._replace(**given)
    if "name" in given and "site" not in given:
        answers = answers._replace(site=short_name(answers.name, fallback="shop"))
    _ensure_good(answers, place)
    if talk is not None:
        answers = _asked(answers, place, given, talk)
    write_new(place, shop_text(answers, place).encode())
    bays = _count(len(answers.bays), "bay")
    return "\n".join(
        [f"{place}: written, no faults; {answers.name} with {bays}", *_next(answers, place)]
    )


def _next(answers: Answers, place: Path) -> list[str]:
    """Return what comes next, a line for each step."""
    external = answers.broker != BROKERS[0]
    steps = [f"envmon certificates {place}"] if external or answers.reach else []
    if answers.reach:
        steps.append(f"envmon people {place} add NAME --role manage")
    steps.append(
        f"envmon install {place} --out envmon-files" if external else f"envmon run {place}"
    )
    if not external and not answers.reach:
        steps.append("open http://127.0.0.1:8050/ and claim its sensors under points")
    return [f"{'then' if n else 'next'}: {step}" for n, step in enumerate(steps)]


def _ensure_good(answers: Answers, place: Path) -> None:
    faults = faults_of(answers, place)
    if faults:
        raise InputError("; ".join(dict.fromkeys(faults)))


def _asked(answers: Answers, place: Path, given: Mapping[str, Any], talk: Talk) -> Answers:
    for field, words in _QUESTIONS:
        if field in given:
            continue
        if field == "bays":
            answers = _ask_bays(answers, place, talk)
            continue
        if field in _SAID_BEFORE:
            talk.say(_SAID_BEFORE[field])
        proposed = getattr(answers, field)
        if field == "site":
            proposed = short_name(answers.name, fallback="shop")
        take = partial(_with, answers, field)
        answers = _until_good(place, talk, (words, proposed), take)
    return answers


def _with(answers: Answers, field: str, text: str) -> Answers:
    change: dict[str, Any] = {field: text}
    return answers._replace(**change)


def _until_good(
    place: Path, talk: Talk, question: tuple[str, str], take: Callable[[str], Answers]
) -> Answers:
    """Ask again until the answer is allowed; say each time what is."""
    while True:
        tried = take(talk.ask(*question).strip())
        faults = faults_of(tried, place)
        if not faults:
            return tried
        for fault in dict.fromkeys(faults):
            talk.say(fault)


def _ask_bays(answers: Answers, place: Path, talk: Talk) -> Answers:
    count = _ask_count(talk)
    unit = "ft3" if answers.units == "us" else "m3"
    answers = answers._replace(bays=())
    for number in range(1, count + 1):
        name = (f"Name of bay {number}", "Bay" if count == 1 else f"Bay {number}")
        answers = _until_good(place, talk, name, partial(_with_bay, answers))
        size = (f"Its air volume [{unit}], or nothing", "")
        answers = _until_good(place, talk, size, partial(_with_volume, answers))
    return answers


def _with_bay(answers: Answers, name: str) -> Answers:
    return answers._replace(bays=(*answers.bays, BayAnswer(name)))


def _with_volume(answers: Answers, volume: str) -> Answers:
    *others, bay = answers.bays
    return answers._replace(bays=(*others, bay._replace(volume=volume)))


def _ask_count(talk: Talk) -> int:
    while True:
        text = talk.ask("How many bays?", "1").strip()
        if text.isascii() and text.isdigit() and 1 <= int(text[:9]) <= MOST_BAYS:
            return int(text)
        talk.say(f"the number of bays is {text[:60]!r}; allowed is 1 to {MOST_BAYS}")


def _count(number: int, word: str) -> str:
    return f"{number} {word}{'' if number == 1 else 's'}"
