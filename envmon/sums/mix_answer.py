"""What ``envmon mix`` and the mixing board ask and answer: texts in, one document out."""

from __future__ import annotations

import json
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any, Self

from envmon.errors import InputError
from envmon.shop.stages import stage_by_id

if TYPE_CHECKING:
    from collections.abc import Mapping

CAUTIONS = (
    *stage_by_id("foam").cautions[:2],
    "Water first, then concentrate. The label and the safety data sheet win over this.",
    "Never let foam or cleaner dry on the paint.",
)
"""Where something strong is mixed."""


@dataclass(frozen=True, slots=True)
class MixAnswer:
    """What was worked out.

    Attributes:
        values: Numbers by the names that ``--json`` gives them, SI.
        say: The answer in one line.
        lines: What else a person reads, as (what, value).
        cautions: What to be careful of.
        why_not: Why it cannot be done and what to do; empty when it can.
    """

    values: dict[str, Any]
    say: str
    lines: tuple[tuple[str, str], ...] = ()
    cautions: tuple[str, ...] = CAUTIONS
    why_not: str = ""

    @property
    def possible(self) -> bool:
        """Whether it can be done."""
        return not self.why_not

    def document(self) -> dict[str, Any]:
        """Return the answer, JSON types only."""
        known = {"possible": self.possible, "why_not": self.why_not or None}
        return {**known, **self.values, "cautions": list(self.cautions)}

    def as_json(self) -> str:
        """Return the answer as one JSON document."""
        return json.dumps(self.document())

    def text_lines(self) -> list[str]:
        """Return the answer as lines to read."""
        told = [f"{what:<20} {value}" for what, value in self.lines]
        return [self.say, *told, *(f"! {caution}" for caution in self.cautions)]


class Question:
    """What a person wrote, field by field; an empty field was not given."""

    @classmethod
    def from_texts(cls, texts: Mapping[str, str]) -> Self:
        """Return the question.

        Raises:
            InputError: It has no such field.
        """
        known = [field.name for field in fields(cls)]  # type: ignore[arg-type]
        for name in texts:
            if name not in known:
                raise InputError(f"field is {name!r}; allowed: {', '.join(known)}")
        return cls(**texts)

    def given(self, *names: str) -> list[str]:
        """Return which of these fields were given."""
        return [name for name in names if getattr(self, name).strip()]
