"""Whether a record still says what it said when it was made.

By itself a record proves that it hangs together: its text to the byte, every value by its digest,
every event by its hash and by the one before it, and what follows from the events. Whoever
rewrites all of it, digests too, is found out by the shop's own chain (``--shop``).
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any, NamedTuple

import msgspec

from envmon.clock import us_from_iso
from envmon.errors import EnvmonError, InputError, StoreError
from envmon.facts import NewEvent
from envmon.job.record_measured import spans_of
from envmon.job.record_numbers import iso_us
from envmon.job.record_told import Scenery, told, until_us
from envmon.job.reference import reference_digest
from envmon.service.record.chain import history_from, job_from
from envmon.service.record.proof import KIND, VERSION, changed_leaves, digest_of, text_of
from envmon.store.chain import GENESIS, canonical, link

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from envmon.job.model import Job
    from envmon.service.record.chain import History

LISTED = 20
"""So many changes are named."""
_FROM_EVENTS = ("job", "limits", "panels", "overrides", "products", "notes", "mixing")
"""What a record says that follows from its events alone, whatever the version of envmon."""
_RUN = ("step", "stage", "run", "from", "to")
_ROWS = {
    "stages": ("step", "stage", "status", "product", "skip_reason", "runs"),
    "alarms": ("alarm", "bay", "text", "stage", "raised", "ended", "end", "acknowledged", "by"),
}
"""Of these only the columns that are no words of envmon's own."""
_CURE = ("since", "to", "clock_s", "inside_s", "outside_s", "unknown_s", "held", "breaks")
BROKEN = (
    EnvmonError, LookupError, TypeError, ValueError, AttributeError, ArithmeticError, OSError,
    msgspec.MsgspecError,
)  # fmt: skip
"""What reading a part raises that is not as a record has it."""


class Outcome(NamedTuple):
    """What verifying found.

    Attributes:
        job: Id of the job.
        digest: Digest of the record.
        wrong: What does not hold, in words; empty when everything does.
        said: What else there is to know.
    """

    job: str
    digest: str
    wrong: tuple[str, ...]
    said: tuple[str, ...] = ()


def record_from(raw: bytes) -> dict[str, Any]:
    """Return the record in the bytes of a file.

    Raises:
        InputError: It is no record that can be read.
    """
    try:
        document = json.loads(raw.decode())
    except (ValueError, RecursionError) as error:
        raise InputError(f"no JSON: {error}") from error
    if not isinstance(document, dict) or document.get("record") != KIND:
        raise InputError(f'no record: "record" is not {KIND!r}')
    if document.get("version") != VERSION:
        raise InputError(f"record of version {document.get('version')!r}; this reads {VERSION}")
    return document


def checked(raw: bytes) -> Outcome:
    """Return whether a record hangs together.

    Raises:
        InputError: It is no record that can be read.
    """
    document = record_from(raw)
    wrong = list(_text_faults(document, raw))
    try:
        wrong += _content_faults(document)
    except BROKEN as error:
        wrong.append(f"a part is not as a record has it: {type(error).__name__} {error}")
    job = document.get("job")
    job_id = str(job.get("id")) if isinstance(job, dict) else ""
    return Outcome(job_id, str(document.get("digest")), tuple(wrong))


def _text_faults(document: dict[str, Any], raw: bytes) -> Iterator[str]:
    try:
        if raw != text_of(document).encode():
            yield f"the text is not the record's own{_first_difference(document, raw)}"
        if document.get("digest") != digest_of(document):
            yield "the digest is not that of the contents: something was changed"
        changed = changed_leaves(document)
    except (StoreError, UnicodeEncodeError) as error:
        yield f"the text holds what a record cannot: {error}"
        return
    for path, text in changed[:LISTED]:
        yield f"changed: {path[1:]} is {text[:120]}"
    if len(changed) > LISTED:
        yield f"and {len(changed) - LISTED} further values"


def _first_difference(document: dict[str, Any], raw: bytes) -> str:
    own = text_of(document).encode()
    at = next((n for n, (a, b) in enumerate(zip(own, raw, strict=False)) if a != b), None)
    at = min(len(own), len(raw)) if at is None else at
    return f": byte {at + 1} is {raw[at : at + 1]!r}, {own[at : at + 1]!r} is expected"


def _content_faults(document: dict[str, Any]) -> Iterator[str]:
    history = history_from(document["chain"])
    yield from chain_faults(history)
    yield from _reference_faults(document)
    job = job_from(history.events, document["job"]["id"])
    if job is None:
        yield "the events do not open the job this record is about"
        return
    shop = document["shop"]
    made_us = us_from_iso(document["made"])
    scenery = Scenery(made_us, shop["timezone"], shop["units"])
    said = told(job, history.events, scenery)
    for name in _FROM_EVENTS:
        if canonical(document[name]) != canonical(said[name]):
            yield f"{name}: does not follow from the events"
    for name, keys in _ROWS.items():
        kept, now = (
            [[row[key] for key in keys] for row in whose[name]] for whose in (document, said)
        )
        if canonical(kept) != canonical(now):
            yield f"{name}: do not follow from the events"
    if _first_wash(document) != _first_wash(said):
        yield "aftercare/first_wash: does not follow from the events"
    yield from _cure_faults(document["cure"], said["cure"])
    yield from _run_faults(document, job, until_us(job, made_us))


def _first_wash(document: Mapping[str, Any]) -> str | None:
    return str(document["aftercare"]["first_wash"]) if document["aftercare"] else None


def _run_faults(document: dict[str, Any], job: Job, until: int) -> Iterator[str]:
    """Yield runs that are not those of the events, and numbers that cannot be true together."""
    spans = [
        {"step": s.step, "stage": s.stage, "run": s.run, "from": iso_us(s.from_us),
         "to": iso_us(s.to_us)}
        for s in spans_of(job, until)
    ]  # fmt: skip
    runs = document["measured"]["runs"]
    if [{key: run[key] for key in _RUN} for run in runs] != spans:
        yield "measured/runs: are not those of the events"
    for run in runs:
        yield from _sum_faults(run)


def _cure_faults(kept: Any, said: Any) -> Iterator[str]:
    if (kept is None) != (said is None):
        yield "cure does not follow from the events"
    elif kept is not None:
        for key in _CURE:
            if kept[key] != said[key]:
                yield f"cure/{key} is {kept[key]}; from the events follows {said[key]}"


def _sum_faults(run: Mapping[str, Any]) -> Iterator[str]:
    where = f"{run['stage']}, run {run['run'] + 1}"
    together = [run["together"]] if run["together"] else []
    for row in [*together, *run["limits"]]:
        total = row["inside_s"] + row["outside_s"] + row["unknown_s"]
        name = row.get("quantity", "together")
        if abs(total - run["seconds"]) > 1e-5:
            yield f"{where}, {name}: times add up to {total} s, the run has {run['seconds']} s"
        ends = [row.get(key) for key in ("min", "mean", "max")]
        if None not in ends and ends != sorted(ends):
            yield f"{where}, {name}: min, mean and max are not in order"


def chain_faults(history: History) -> Iterator[str]:
    """Yield which entries do not follow from what stands before them."""
    hashes = dict(history.others)
    hashes |= {entry.event.seq: entry.event.hash for entry in history.own}
    hashes[0] = GENESIS
    for event, before in history.own:
        plain = NewEvent(event.at_us, event.kind, event.bay, event.data)
        if link(before, event.seq, plain).hash != event.hash:
            yield f"event {event.seq} ({event.kind}) was changed: its hash is not its own"
        if hashes.get(event.seq - 1, before) != before:
            yield f"event {event.seq} ({event.kind}) does not follow from entry {event.seq - 1}"
    last, head = max(hashes), history.head
    if head[0] < last or (head[0] == last and hashes[last] != head[1]):
        yield f"head of the chain is entry {head[0]}, which does not fit the last event, {last}"


def _reference_faults(document: dict[str, Any]) -> Iterator[str]:
    reference = document["reference"]
    if reference is None:
        return
    if set(reference) != {"text", "salt"}:
        yield "the vehicle's reference is not as a record has it"
        return
    digest = reference_digest(str(reference["salt"]), str(reference["text"]))
    if digest != document["job"]["reference_digest"]:
        yield "the vehicle's reference is not the one the job was opened with"
