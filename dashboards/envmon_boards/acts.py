"""What a person asks of a job, checked for its form before it is kept for the watch."""

from __future__ import annotations

import re
from typing import Annotated, Any, Literal

import msgspec
from msgspec import Meta

from envmon.errors import InputError

_DROPPED = re.compile(r"[\x00-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\ud800-\udfff]")
"""Controls, what turns the direction of the text around it, and halves of a character."""
Line = Annotated[str, Meta(max_length=200)]
"""One line of text as a person types it."""
Name = Annotated[str, Meta(max_length=60)]
Id = Annotated[str, Meta(min_length=1, max_length=60)]
Index = Annotated[int, Meta(ge=0, le=200)]
InFlight = Annotated[int, Meta(ge=1, le=4)]


class PanelAsked(msgspec.Struct, frozen=True, forbid_unknown_fields=True, omit_defaults=True):
    """A panel as asked for; a new one has no id yet."""

    name: Annotated[str, Meta(min_length=1, max_length=30)]
    id: Name = ""


Panels = Annotated[list[PanelAsked], Meta(min_length=1, max_length=60)]


class _Asked(
    msgspec.Struct, kw_only=True, forbid_unknown_fields=True, omit_defaults=True,
    tag_field="act",
):  # fmt: skip
    by: Name = ""
    job: Name = ""
    """The job it is meant for; another one in the bay refuses it."""


class Open(_Asked, tag="open"):
    """Open a job: a procedure, and a body shape or panels."""

    procedure: Id
    body: Name = ""
    panels: list[PanelAsked] = []
    reference: Line = ""
    batches: dict[str, Name] = {}
    in_flight: InFlight | None = None


class Start(_Asked, tag="start"):
    """Start a step, against what hinders when a reason is given."""

    step: Index
    reason: Line = ""
    seen: Name = ""
    """How the step stood when it was asked for."""


class Finish(_Asked, tag="finish"):
    """Finish the step being worked, with panels still open when a reason is given."""

    step: Index
    reason: Line = ""


class Skip(_Asked, tag="skip"):
    """Leave a step out."""

    step: Index
    reason: Annotated[str, Meta(min_length=3, max_length=200)]


class Apply(_Asked, tag="apply"):
    """A panel is covered."""

    panel: Id


class Level(_Asked, tag="level"):
    """A panel is levelled."""

    panel: Id


class Wipe(_Asked, tag="wipe"):
    """A panel is wiped a second time."""

    panel: Id


class Inspect(_Asked, tag="inspect"):
    """A panel is looked at."""

    panel: Id
    result: Literal["clean", "high_spot"]


class Undo(_Asked, tag="undo"):
    """Take back the last mark on a panel."""

    seq: Annotated[int, Meta(ge=1)]


class AddNote(_Asked, tag="note"):
    """Write something down."""

    text: Annotated[str, Meta(min_length=1, max_length=500)]


class ChangePanels(_Asked, tag="panels"):
    """Replace the list of panels."""

    panels: Panels


class SetBatch(_Asked, tag="batch"):
    """Say which batch of a product is used."""

    product: Id
    batch: Name


class SetInFlight(_Asked, tag="in_flight"):
    """Say how many panels may flash at the same time."""

    in_flight: InFlight


class Close(_Asked, tag="close"):
    """Close the job; with a reason before all is done."""

    reason: Line = ""


ActAsked = (
    Open | Start | Finish | Skip | Apply | Level | Wipe | Inspect | Undo | AddNote
    | ChangePanels | SetBatch | SetInFlight | Close
)  # fmt: skip
_NAMES = (
    "open, start, finish, skip, apply, level, wipe, inspect, undo, note, panels, batch, "
    "in_flight, close"
)


def act_of(body: dict[str, Any] | None) -> dict[str, Any]:
    """Return an act's data as it is kept for the watch.

    Args:
        body: What was sent.

    Raises:
        InputError: Its form is wrong; whether it makes sense now is for the watch to say.
    """
    if body is None or "act" not in body:
        raise InputError(f'send {{"act": "…", …}}; allowed acts: {_NAMES}')
    try:
        asked = msgspec.convert(_stripped(body), type=ActAsked)
    except msgspec.ValidationError as error:
        raise InputError(f"act {str(body['act'])[:40]!r}: {error}") from error
    data: dict[str, Any] = msgspec.to_builtins(asked)
    return data


def _stripped(value: Any) -> Any:
    """Return a document with its texts as one line each, with nothing that cannot be seen."""
    if isinstance(value, str):
        return " ".join(_DROPPED.sub(" ", value).split())
    if isinstance(value, list):
        return [_stripped(item) for item in value]
    if isinstance(value, dict):
        return {str(key): _stripped(item) for key, item in value.items()}
    return value
