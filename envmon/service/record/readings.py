"""The readings that a record's numbers follow from."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from envmon.job.record_series import Said, Series

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from numpy.typing import NDArray

    from envmon.job.record_series import Source
    from envmon.store.columns import Columns
    from envmon.store.past import Past


class Heard(NamedTuple):
    """Charted readings of a span.

    Attributes:
        said: (point, quantity) -> its readings in order of time.
        taken_in_us: When the last of them was taken in [µs]; None without any.
    """

    said: dict[Series, Said]
    taken_in_us: int | None


def heard(
    past: Past,
    sources: Mapping[str, Sequence[Source]],
    span: tuple[int, int],
    taken_in_us: int | None = None,
) -> Heard:
    """Return the charted readings of a bay's points over a span, and of just before it.

    Args:
        past: Everything kept.
        sources: Quantity -> the points that measure it.
        span: Start and end [µs].
        taken_in_us: Only what was taken in until then [µs]; None is all.

    Raises:
        StoreError: The live file cannot be read.
    """
    stale_us = {
        (source.point, quantity): source.stale_us
        for quantity, group in sources.items()
        for source in group
    }
    from_us = span[0] - max(stale_us.values(), default=0)
    parts: dict[Series, list[Said]] = {}
    last_us: int | None = None
    for day in past.columns(from_us, span[1], list(stale_us)):
        seen_us = day.t_us + day.lag_us
        good = day.charted()
        if taken_in_us is not None:
            good &= seen_us <= taken_in_us
        if good.any():
            last_us = max(last_us or 0, int(seen_us[good].max()))
        _gather(parts, day, good)
    return Heard({name: _joined(each) for name, each in parts.items()}, last_us)


def _gather(parts: dict[Series, list[Said]], day: Columns, good: NDArray[np.bool_]) -> None:
    values = day.values()
    for place, name in enumerate(day.names):
        chosen = good & (day.series == place)
        if chosen.any():
            parts.setdefault(name, []).append(Said(day.t_us[chosen], values[chosen]))


def _joined(parts: Iterable[Said]) -> Said:
    times, values = zip(*parts, strict=True)
    return Said(np.concatenate(times), np.concatenate(values))
