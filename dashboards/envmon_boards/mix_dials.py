"""What can be set on the mixing board: dials with ladders of usual values, metric and US."""

from __future__ import annotations

from typing import NamedTuple

Ladder = tuple[str, ...]


class Dial(NamedTuple):
    """One value that a thumb steps up and down.

    Attributes:
        field: Field of the question it answers.
        label: What a person reads.
        ladder: Values to step through, from low to high, as the server reads them.
        start: Place in the ladder it starts at.
        ladder_us: The same in US units, place by place; the same texts when it has no unit.
    """

    field: str
    label: str
    ladder: Ladder
    start: int
    ladder_us: Ladder


class Way(NamedTuple):
    """One way to ask: which dials, and what the key that chooses it says."""

    key: str
    dials: tuple[Dial, ...]


class Sum(NamedTuple):
    """One sum of the mixing board.

    Attributes:
        kind: Its name in addresses.
        title: Its heading.
        short: The heading where there is little room.
        ways: Ways to ask, at least one.
    """

    kind: str
    title: str
    short: str
    ways: tuple[Way, ...]


def _plain(field: str, label: str, ladder: Ladder, start: str) -> Dial:
    return Dial(field, label, ladder, ladder.index(start), ladder)


def _temp(field: str, label: str, low: int, high: int, start: int) -> Dial:
    degrees = range(low, high + 1)
    us = tuple(f"{round(1.8 * c + 32)} °F" for c in degrees)
    return Dial(field, label, tuple(f"{c} °C" for c in degrees), start - low, us)


def _volume(field: str, label: str, start: str) -> Dial:
    return Dial(field, label, _METRIC, _METRIC.index(start), _US)


_METRIC = (
    "50 ml", "100 ml", "250 ml", "500 ml", "750 ml", "1 l", "1.5 l", "2 l", "5 l", "8 l", "10 l",
    "12 l", "15 l", "20 l", "30 l", "60 l",
)  # fmt: skip
_US = (
    "2 fl oz", "4 fl oz", "8 fl oz", "16 fl oz", "24 fl oz", "32 fl oz", "48 fl oz", "64 fl oz",
    "1 gal", "2 gal", "2.5 gal", "3 gal", "4 gal", "5 gal", "8 gal", "15 gal",
)  # fmt: skip
_RATIOS = tuple(
    f"1:{n}"
    for n in (
        *(0, 1, 2, 3, 4, 5, 6, 8, 10, 12, 15, 20, 25, 30, 40, 50, 60, 80, 100, 125, 150, 200),
        *(250, 300, 400, 500, 750, 1000),
    )
)
_SHARES = tuple(
    f"{share:g} %"
    for share in (0.1, 0.2, 0.3, 0.5, 0.8, 1, 1.5, 2, 2.5, 3, 4, 5, 6, 7, 8, 10, 12, 15, 20, 25, 50)
)
_LANCES = tuple(f"1:{parts}" for parts in (*range(31), 35, 40, 50))

_DILUTED = _plain("mix", "ratio", _RATIOS[1:], "1:10")
_RATIO = _plain("mix", "ratio", _RATIOS, "1:10")
_LANCE = _plain("lance", "lance: bottle to passing water", _LANCES, "1:9")
_BOTTLE = _volume("bottle", "bottle holds", "1 l")

SUMS = (
    Sum(
        "ratio", "Bucket and bottle", "ratio",
        (
            Way("fill a bottle", (_RATIO, _volume("total", "bottle holds", "1 l"))),
            Way("water is in", (_DILUTED, _volume("water", "water in the bucket", "10 l"))),
        ),
    ),
    Sum(
        "pir", "Foam lance", "lance",
        (
            Way("aim on the panel",
                (_plain("aim", "share on the panel", _SHARES, "5 %"), _LANCE, _BOTTLE)),
            Way("bottle is mixed",
                (_plain("in_bottle", "ratio in the bottle", _RATIOS, "1:4"), _LANCE, _BOTTLE)),
        ),
    ),
    Sum(
        "blend", "Warm water", "warm",
        (
            Way("fill up",
                (_temp("want", "wanted", 15, 70, 38), _temp("cold", "cold tap", 0, 40, 8),
                 _temp("hot", "hot tap", 30, 95, 60), _volume("total", "bucket holds", "20 l"))),
            Way("hot is in",
                (_temp("want", "wanted", 15, 70, 38), _temp("cold", "cold tap", 0, 40, 8),
                 _temp("hot", "warmth of the hot water", 30, 95, 60),
                 _volume("hot_amount", "hot in the bucket", "10 l"))),
        ),
    ),
)  # fmt: skip
"""The sums that need no shop; a bay's resin stands beside them."""
