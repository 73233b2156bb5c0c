"""SenML packs (RFC 8428) as a node would send them."""

from __future__ import annotations

import json
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Sample:
    """What a node measured at one moment.

    Attributes:
        at_us: Time of measuring [µs, UTC].
        values: Name, SenML unit (empty for none) and number or truth value.
    """

    at_us: int
    values: tuple[tuple[str, str, float | bool], ...]


def record(name: str, unit: str, value: float | bool) -> dict[str, object]:  # noqa: FBT001
    """Return one SenML record without time."""
    entry: dict[str, object] = {"n": name}
    if unit:
        entry["u"] = unit
    entry["vb" if isinstance(value, bool) else "v"] = value
    return entry


def pack_from_samples(base_name: str, samples: list[Sample]) -> bytes:
    """Return one pack for one or more samples of a node, oldest first.

    The first record carries base name and base time; records of later samples carry their time
    relative to it. Times have millisecond resolution.

    Args:
        base_name: Prefix of all names, such as ``north/air/``.
        samples: At least one sample.
    """
    base_us = samples[0].at_us
    records: list[dict[str, object]] = []
    for sample in samples:
        offset_s = round((sample.at_us - base_us) / 1e6, 3)
        for name, unit, value in sample.values:
            entry = record(name, unit, value)
            if not records:
                entry = {"bn": base_name, "bt": round(base_us / 1e6, 3)} | entry
            elif offset_s:
                entry["t"] = offset_s
            records.append(entry)
    return json.dumps(records, separators=(",", ":")).encode()
