"""How a sensor stands, in one word, with the reasons and what to do: pure, values in, words out."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal, NamedTuple

from envmon.facts import DOUBTS, Flag
from envmon.guard.alarm_kinds import KINDS

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from envmon.guard.live import AlarmState
    from envmon.service.calibration.table import Standing
    from envmon.store.sensor_facts import Newest

Kind = Literal["unfit", "unknown", "marginal", "fit"]
"""Of a sensor now: it says what is wrong; it says nothing; something is doubtful; all is well."""

ORDER: tuple[Kind, ...] = ("unfit", "unknown", "marginal", "fit")
"""To which sensor to go first."""
WORDS: dict[Kind, str] = {
    "unfit": "GO TO IT", "unknown": "SILENT", "marginal": "LOOK AT IT", "fit": "GOOD",
}  # fmt: skip
FLAG_WORDS = {
    Flag.LATE: "late", Flag.CLOCK: "wrong clock", Flag.RANGE: "out of range", Flag.SPIKE: "leap",
    Flag.RATE: "too fast", Flag.FLAT: "stands still", Flag.WET: "wet", Flag.APART: "disagrees",
}  # fmt: skip
SEVERAL = ("apart", "drift")
"""Kinds of a bay's alarm that speak of several of its sensors; their text names them."""
OPEN = frozenset({"UNACK", "ACKED", "RTNUN", "LTUNK", "LTACK"})
_DO = {
    Flag.RANGE: KINDS["wild"].do, Flag.SPIKE: KINDS["wild"].do, Flag.FLAT: KINDS["stuck"].do,
    Flag.RATE: "look for a draught or a hand on it", Flag.WET: KINDS["wet"].do,
    Flag.APART: KINDS["apart"].do,
}  # fmt: skip


class Finding(NamedTuple):
    """One thing to be said of a sensor."""

    kind: Kind
    why: str
    do: str


class Headline(NamedTuple):
    """What one glance tells: where to go.

    Attributes:
        kind: How it stands; ``none`` without any sensor.
        text: Where to go.
        do: Why, and what to do there.
    """

    kind: Kind | Literal["none"]
    text: str
    do: str


class Series(NamedTuple):
    """What is known of one quantity of a sensor.

    Attributes:
        label: What a person calls it.
        newest: Its newest reading; None when none is in the live file.
        stale_us: Older than this it no longer speaks for the present [µs].
        ahead_us: When it last sent a time that lies ahead [µs]; None if it did not.
        standing: Of its calibration; None where none is needed.
    """

    label: str
    newest: Newest | None
    stale_us: int
    ahead_us: int | None = None
    standing: Standing | None = None


def findings_of(
    series: Sequence[Series], alarms: Sequence[AlarmState], now_us: int
) -> list[Finding]:
    """Return what is to be said of a sensor, the worst first; nothing when all is well.

    Args:
        series: Its quantities.
        alarms: Its alarms that are not normal.
        now_us: Time now [µs, UTC].
    """
    found = [*_of_alarms(alarms)]
    said = {finding.do for finding in found}
    for each in series:
        found += [finding for finding in _of_series(each, now_us) if finding.do not in said]
    return sorted(dict.fromkeys(found), key=lambda finding: ORDER.index(finding.kind))


def kind_of(findings: Sequence[Finding]) -> Kind:
    """Return how a sensor stands."""
    return findings[0].kind if findings else "fit"


def _of_alarms(alarms: Sequence[AlarmState]) -> Iterator[Finding]:
    for alarm in alarms:
        if alarm.life not in OPEN:
            yield Finding("marginal", f"{alarm.name}: alarm {alarm.life}", alarm.do)
        elif not alarm.active:
            yield Finding("marginal", f"{alarm.name}: over, not acknowledged", alarm.do)
        else:
            kind: Kind = "unknown" if alarm.what == "lost" else "unfit"
            yield Finding(kind, f"alarm: {alarm.name}", alarm.do)


def _of_series(series: Series, now_us: int) -> Iterator[Finding]:
    newest = series.newest
    if series.ahead_us is not None and now_us - series.ahead_us <= series.stale_us:
        do = "set the clock of the sensor, or let it send no time"
        yield Finding("unfit", f"{series.label}: its clock is ahead", do)
    if newest is None:
        yield Finding("unknown", f"{series.label}: nothing heard", KINDS["lost"].do)
    elif now_us - newest.t_us > series.stale_us:
        yield Finding("unknown", f"{series.label}: silent", KINDS["lost"].do)
    else:
        for flag, do in _DO.items():
            if newest.flag & flag:
                kind: Kind = "marginal" if flag & DOUBTS else "unfit"
                yield Finding(kind, f"{series.label}: {FLAG_WORDS[flag]}", do)
    if series.standing == "overdue":
        yield Finding("marginal", f"{series.label}: calibration overdue", "calibrate it")


def headline_of(
    sensors: Sequence[tuple[str, str, Sequence[Finding]]], *, listening: bool
) -> Headline:
    """Return where to go first.

    Args:
        sensors: Id, place and findings of each sensor, the worst first.
        listening: The watch takes in what sensors send.
    """
    if not sensors:
        return Headline("none", "The shop file has no sensor", "")
    if not listening:
        do = "the sensors may be well; look at the watch and the broker first"
        return Headline("unknown", "The watch takes nothing in", do)
    kinds = [kind_of(findings) for _, _, findings in sensors]
    if len(kinds) > 1 and set(kinds) == {"unknown"}:
        return Headline("unknown", "No sensor is heard", KINDS["silence"].do)
    ill = sum(kind != "fit" for kind in kinds)
    if not ill:
        count = "The sensor is" if len(sensors) == 1 else f"All {len(sensors)} sensors are"
        return Headline("fit", f"{count} well", "")
    point, where, findings = sensors[0]
    more = f"; then {ill - 1} more" if ill > 1 else ""
    return Headline(
        kinds[0], f"Go to {point}, {where}", f"{findings[0].why}: {findings[0].do}{more}"
    )
