"""A replay's answer as one page that needs nothing else: to look at, to print, to keep."""

from __future__ import annotations

from html import escape
from itertools import groupby
from typing import TYPE_CHECKING

from envmon.guard.words import span_text
from envmon.job.record_look import FRAME
from envmon.service.replay.alarms import only_in
from envmon.service.replay.cells import cell_edges_us, cells
from envmon.service.replay.page_look import LOOK
from envmon.service.replay.timeline import FITNESS, NOTHING, gained_and_lost_us
from envmon.service.replay.words import (
    alarm_title,
    charted,
    clock_text,
    counted,
    day_text,
    length_text,
    same_lines,
    span_line,
    stage_of,
    stretch_text,
    title_of,
)
from envmon.units import QUANTITIES

if TYPE_CHECKING:
    from collections.abc import Sequence

    from envmon.guard.plan import GuardPlan, StagePlan
    from envmon.service.replay.alarms import Alarm
    from envmon.service.replay.command import Answer
    from envmon.service.replay.judged import Judged, StageDay
    from envmon.service.replay.timeline import StageKey

CELL_MIN = 10
PAGE_ALARMS = 500
_HEIGHTS = (20, 13, 5, 13)
"""How high each fitness stands in its lane, so that it can be told without colour."""
_LANE = 22


def page(answer: Answer, stages: Sequence[str]) -> str:
    """Return the page as HTML.

    Args:
        answer: An answer for a span of which something is kept.
        stages: Stages asked for; empty draws coating.
    """
    own = answer.own
    assert own is not None
    names = dict.fromkeys(stage_of(own.plan, key).name for key in charted(own, stages))
    body = [_head(answer, ", ".join(names))]
    body += [_stage(answer, own, key) for key in charted(own, stages)]
    if not stages:
        body += [_totals(own, bay_id, answer.zone) for bay_id in own.plan.bays]
    body.append(_alarms(answer, own))
    if answer.other is not None:
        body.append(_changes(answer, own, answer.other))
    title = f"{', '.join(names)}: when it was possible"
    return FRAME.format(title=escape(title), look=LOOK, body="\n".join(body))


def _head(answer: Answer, names: str) -> str:
    readings = f"{answer.readings:,}".replace(",", "\u202f")
    lines = [f"{readings} readings judged.", *same_lines(answer), *answer.notes]
    said = "".join(f"<p>{escape(line)}</p>" for line in lines)
    legend = "".join(
        f'<span class="key"><svg viewBox="0 0 26 {_LANE}" aria-hidden="true">'
        f"{_bar(code, 0, 26)}</svg>{escape(name)}</span>"
        for code, name in enumerate(FITNESS)
    )
    return (
        f"<header><h1>{escape(names)}: when it was possible</h1>"
        f'<p class="where">{escape(answer.shop.shop.name)}</p>'
        f'<p class="when">{escape(span_line(answer))}</p>'
        f'<div class="legend">{legend}<span class="key">blank: nothing kept</span></div>'
        f'<div class="said">{said}</div></header>'
    )


def _stage(answer: Answer, own: Judged, key: StageKey) -> str:
    parts = [own] if answer.other is None else [own, answer.other]
    names = [""] if answer.other is None else ["these limits", "other limits"]
    figures = "".join(_figure(part, key, name) for part, name in zip(parts, names, strict=True))
    longest = "".join(
        f"<p>{escape(f'{name}: ' if name else '')}longest fit: "
        f"<b>{escape(stretch_text(part.longest[key], answer.zone))}</b></p>"
        for part, name in zip(parts, names, strict=True)
    )
    hours = "".join(f'<i style="left:{hour / 0.24:.3f}%">{hour}</i>' for hour in range(0, 25, 3))
    rows = "".join(_day(parts, day, answer.zone) for day in own.days if (day.bay, day.stage) == key)
    return (
        f'<section class="stage"><h2>{escape(title_of(own.plan, key))}</h2>'
        f'<div class="sum">{figures}<div class="long">{longest}</div></div>'
        f'<div class="row axis"><span></span><div class="hours">{hours}</div>'
        f"<span>fit</span><span>longest</span></div>{rows}{_limits(parts, names, key)}</section>"
    )


def _figure(judged: Judged, key: StageKey, name: str) -> str:
    spent = [day.spent_us for day in judged.days if (day.bay, day.stage) == key]
    total = [sum(row[place] for row in spent) for place in range(len(FITNESS))]
    rest = ", ".join(
        f"{fitness} {length_text(us)}"
        for fitness, us in zip(FITNESS[1:], total[1:], strict=True)
        if us
    )
    lead = f"<small>{escape(name)}</small>" if name else ""
    return (
        f'<div class="figure">{lead}<b>{length_text(total[0])}</b> fit of '
        f"{length_text(sum(total))}<small>{escape(rest)}</small></div>"
    )


def _day(parts: Sequence[Judged], day: StageDay, zone: str) -> str:
    label = f"<em>{day.day:%a %d %b}</em>{'<em>other</em>' * (len(parts) > 1)}"
    lanes, fits, longs = [], [], []
    for part in parts:
        same = next(d for d in part.days if d[:3] == day[:3])
        lanes.append(_lane(part, same, zone))
        fits.append(f"<em>{length_text(same.spent_us[0])}</em>")
        ends = same.longest
        text = (
            ends and f"{clock_text(ends.from_us, zone)}–{clock_text(ends.to_us, zone, is_end=True)}"
        )
        longs.append(f"<em>{text or '&nbsp;'}</em>")
    return (
        f'<div class="row"><time datetime="{day.day}">{label}</time>'
        f'<div class="lanes">{"".join(lanes)}</div>'
        f'<span class="fit">{"".join(fits)}</span><span class="span">{"".join(longs)}</span></div>'
    )


def _lane(judged: Judged, day: StageDay, zone: str) -> str:
    """Return a day of one stage drawn from midnight to midnight by the clock on the wall."""
    codes = cells(judged.timelines[day.bay, day.stage], day.day, CELL_MIN, zone)
    edges = cell_edges_us(day.day, CELL_MIN, zone)
    drawn = []
    for code, group in groupby(enumerate(codes), key=lambda cell: cell[1]):
        places = [place for place, _ in group]
        if code != NOTHING:
            first, last = places[0], places[-1] + 1
            ends = clock_text(edges[first], zone), clock_text(edges[last], zone, is_end=True)
            title = f"<title>{ends[0]}–{ends[1]} {FITNESS[code]}</title>"
            drawn.append(_bar(code, first * CELL_MIN, (last - first) * CELL_MIN, title))
    total = ", ".join(
        f"{name} {length_text(us)}" for name, us in zip(FITNESS, day.spent_us, strict=True) if us
    )
    return (
        f'<svg class="lane" viewBox="0 0 1440 {_LANE}" preserveAspectRatio="none" role="img" '
        f'aria-label="{day.day}: {total}">{"".join(drawn)}</svg>'
    )


def _bar(code: int, start: int, width: int, title: str = "") -> str:
    height = _HEIGHTS[code]
    return (
        f'<rect class="{FITNESS[code]}" x="{start}" y="{_LANE - 1 - height}" width="{width}" '
        f'height="{height}">{title}</rect>'
    )


def _limits(parts: Sequence[Judged], names: Sequence[str], key: StageKey) -> str:
    """Return what the stage was held to and who says so, other limits beside these."""
    told = [_allowed(stage_of(part.plan, key), part.plan) for part in parts]
    rows = []
    for label in dict.fromkeys(label for one in told for label in one):
        texts = [one.get(label, ("–", "")) for one in told]
        fields = "".join(
            f"<td>{escape(span)}<small>{escape(source)}</small></td>" for span, source in texts
        )
        rows.append(f"<tr><td>{escape(label)}</td>{fields}</tr>")
    return _table(["limit", *(name or "allowed" for name in names)], rows, "limits")


def _allowed(stage: StagePlan, plan: GuardPlan) -> dict[str, tuple[str, str]]:
    """Return for each limit what is allowed and its source."""
    told = {}
    for limit in (*stage.limits, *stage.by_hand):
        by_hand = " (by hand, not judged)" if limit in stage.by_hand else ""
        span = span_text(limit.low, limit.high, limit.quantity, plan)
        told[QUANTITIES[limit.quantity].label + by_hand] = span, limit.source
    if stage.settle_us:
        told["settled before a start"] = f"for {length_text(stage.settle_us)}", ""
    return told


def _row(texts: Sequence[str]) -> str:
    return f"<tr>{''.join(f'<td>{escape(text)}</td>' for text in texts)}</tr>"


def _table(heads: Sequence[str], rows: Sequence[str], kind: str) -> str:
    head = "".join(f"<th>{escape(text)}</th>" for text in heads)
    return (
        f'<div class="wide"><table class="{kind}"><thead><tr>{head}</tr></thead>'
        f"<tbody>{''.join(rows)}</tbody></table></div>"
    )


def _totals(own: Judged, bay_id: str, zone: str) -> str:
    bay = own.plan.bays[bay_id]
    rows = []
    for stage in bay.stages:
        spent = [d.spent_us for d in own.days if (d.bay, d.stage) == (bay_id, stage.id)]
        total = [length_text(sum(row[place] for row in spent)) for place in range(len(FITNESS))]
        rows.append(_row([stage.name, *total, stretch_text(own.longest[bay_id, stage.id], zone)]))
    table = _table(["stage", *FITNESS, "longest fit"], rows, "totals")
    return f"<section><h2>All stages in {escape(bay.name)}</h2>{table}</section>"


def _alarms(answer: Answer, own: Judged) -> str:
    title = counted(len(own.alarms))
    return f"<section><h2>{title}</h2>{_alarm_table(answer, own.plan, own.alarms)}</section>"


def _alarm_table(answer: Answer, plan: GuardPlan, alarms: Sequence[Alarm]) -> str:
    if not alarms:
        return ""
    rows = []
    for alarm in alarms[:PAGE_ALARMS]:
        cleared = (
            "not cleared" if alarm.cleared_us is None else day_text(alarm.cleared_us, answer.zone)
        )
        title = alarm_title(plan, alarm)
        length = length_text(round(alarm.minutes(answer.to_us) * 60e6))
        rows.append(_row([title, day_text(alarm.raised_us, answer.zone), cleared, length]))
    more = len(alarms) - PAGE_ALARMS
    note = f"<p>and {more} more</p>" if more > 0 else ""
    return _table(["what", "raised", "cleared", "lasted"], rows, "alarms") + note


def _changes(answer: Answer, own: Judged, other: Judged) -> str:
    rows = []
    for key, line in own.timelines.items():
        span = answer.from_us, answer.to_us
        gained, lost = gained_and_lost_us(line, other.timelines[key], *span)
        if gained or lost:
            rows.append(_row([title_of(own.plan, key), length_text(gained), length_text(lost)]))
    body = (
        _table(["stage", "fit more", "fit less"], rows, "totals")
        if rows
        else "<p>No stage changes.</p>"
    )
    for name, one, two in (
        ("would not have come", own, other),
        ("would have come too", other, own),
    ):
        alarms = only_in(one.alarms, two.alarms)
        body += f"<h3>{counted(len(alarms))} {name}</h3>{_alarm_table(answer, one.plan, alarms)}"
    return f"<section><h2>What the other limits would have done</h2>{body}</section>"
