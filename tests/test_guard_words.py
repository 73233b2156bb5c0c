"""What the guard says, word for word, in both unit systems.

Conversions by their definition (°F = °C × 9/5 + 32; a difference of 3 K is 5.4 °F); the minus
sign is U+2212. The wording itself is ours.
"""

from __future__ import annotations

from typing import Any

import pytest

from envmon.facts import Flag
from envmon.guard.conditions import Known
from envmon.guard.words import clock_time, reason_text, span_text, why_text
from tests.guard_support import SHOP, START_US, Bench, plan_from, reading

US_SHOP = SHOP.replace('timezone = "Europe/Oslo"', 'timezone = "Europe/Oslo"\nunits = "us"')
METRIC, US = plan_from(SHOP), plan_from(US_SHOP)
LIMITS = {
    (stage.id, limit.quantity): limit
    for bay in METRIC.bays.values()
    for stage in bay.stages
    for limit in stage.limits
}
INF = float("inf")


@pytest.mark.parametrize(
    ("low", "high", "quantity", "metric", "us"),
    [
        (15, 25, "panel_temp_c", "15–25 °C", "59–77 °F"),
        (10, INF, "panel_temp_c", "at least 10 °C", "at least 50 °F"),
        (-INF, 60, "rel_hum_pct", "at most 60 %", "at most 60 %"),
        (3, INF, "dew_margin_k", "at least 3 K", "at least 5.4 °F"),
        (-20, -5.5, "outdoor_temp_c", "−20–−5.5 °C", "−4–22.1 °F"),
        (-INF, 10, "dissolved_solids_ppm", "at most 10 ppm", "at most 10 ppm"),
        (-10, INF, "air_temp_rate_k_h", "at least −10 K/h", "at least −18 °F/h"),
    ],
)
def test_a_limit_as_people_say_it(
    low: float, high: float, quantity: str, metric: str, us: str
) -> None:
    assert span_text(low, high, quantity, METRIC) == metric
    assert span_text(low, high, quantity, US) == us


REASONS: list[tuple[str, str, float, str, str, str]] = [
    ("coating", "panel_temp_c", 12.1, "unfit",
     "panel 12.1 °C, needs 15–25 °C: let it warm",
     "panel 53.8 °F, needs 59–77 °F: let it warm"),
    ("coating", "panel_temp_c", 26.04, "unfit",
     "panel 26.0 °C, needs 15–25 °C: let it cool",
     "panel 78.9 °F, needs 59–77 °F: let it cool"),
    ("coating", "rel_hum_pct", 60.3, "unfit",
     "humidity 60.3 %, needs 35–60 %: ventilate or heat",
     "humidity 60.3 %, needs 35–60 %: ventilate or heat"),
    ("coating", "panel_temp_c", 15.1, "unfit",
     "panel 15.1 °C, needs 15–25 °C: only just back, wait",
     "panel 59.2 °F, needs 59–77 °F: only just back, wait"),
    ("coating", "panel_temp_c", 20.0, "fit",
     "panel 20.0 °C, needs 15–25 °C", "panel 68.0 °F, needs 59–77 °F"),
    ("coating", "air_temp_c", -8.25, "unfit",
     "air −8.2 °C, needs 18–24 °C: heat", "air 17.1 °F, needs 64.4–75.2 °F: heat"),
    ("coating", "rel_hum_pct", 71.0, "unfit",
     "humidity 71 %, needs 35–60 %: ventilate or heat",
     "humidity 71 %, needs 35–60 %: ventilate or heat"),
    ("coating", "rel_hum_pct", 20.0, "unfit",
     "humidity 20 %, needs 35–60 %: add moisture or air in less",
     "humidity 20 %, needs 35–60 %: add moisture or air in less"),
    ("drying", "rel_hum_pct", 58.0, "marginal",
     "humidity 58 %, needs at most 60 %", "humidity 58 %, needs at most 60 %"),
    ("coating", "dew_margin_k", 3.0, "marginal",
     "panel 3.0 K above dew point, needs at least 3 K",
     "panel 5.4 °F above dew point, needs at least 5.4 °F"),
    ("coating", "dew_margin_k", -2.5, "unfit",
     "panel 2.5 K below dew point, needs at least 3 K: dry the air or warm the panel",
     "panel 4.5 °F below dew point, needs at least 5.4 °F: dry the air or warm the panel"),
    ("wash", "water_temp_c", 47.0, "unfit",
     "water 47 °C, needs 30–40 °C: cooler water",
     "water 117 °F, needs 86–104 °F: cooler water"),
]  # fmt: skip


@pytest.mark.parametrize(("stage", "quantity", "value", "fitness", "metric", "us"), REASONS)
def test_reason_says_value_limit_and_what_to_do(
    stage: str, quantity: str, value: float, fitness: str, metric: str, us: str
) -> None:
    limit, known = LIMITS[stage, quantity], Known(value, "good")
    assert reason_text(limit, known, fitness, METRIC) == metric
    assert reason_text(limit, known, fitness, US) == us


@pytest.mark.parametrize(
    ("known", "text"),
    [
        (Known(None, "missing", why="no_sensor"), "panel: no sensor here"),
        (
            Known(None, "missing", None, ("p1", "p2"), "silent"),
            "panel: nothing heard yet from p1, p2",
        ),
        (
            Known(None, "stale", START_US, ("p1",), "stale"),
            "panel: no reading since 09:00 from p1",
        ),
        (
            Known(None, "suspect", START_US, ("p1",), "suspect"),
            "panel: p1 sends values it cannot have",
        ),
        (
            Known(20, "disagree", START_US, ("p1", "p2"), "disagree", (-1.0, 22.0)),
            "panel: sensors disagree, −1.0 °C and 22.0 °C (p1, p2)",
        ),
        (
            Known(None, "stale", START_US, ("p1",), "input", cause="air_temp_c"),
            "panel: not known without air",
        ),
        (Known(None, "missing", why="warming"), "panel: not enough readings yet"),
        (Known(20, "good"), ""),
    ],
)
def test_why_a_condition_is_not_good(known: Known, text: str) -> None:
    assert why_text(known, "panel_temp_c", METRIC) == text
    if known.value is None:
        assert reason_text(LIMITS["coating", "panel_temp_c"], known, "unknown", METRIC) == text


def test_disagreement_is_told_beside_the_value() -> None:
    known = Known(20, "disagree", START_US, ("p1", "p2"), "disagree", (17.0, 23.0))
    assert reason_text(LIMITS["coating", "panel_temp_c"], known, "marginal", US) == (
        "panel 68.0 °F, needs 59–77 °F (panel: sensors disagree, 62.6 °F and 73.4 °F (p1, p2))"
    )


@pytest.mark.parametrize(
    ("zone", "text"), [("Europe/Oslo", "09:00"), ("America/Anchorage", "23:00"), ("UTC", "08:00")]
)
def test_times_are_the_shop_s_own(zone: str, text: str) -> None:
    """2026-01-27T08:00Z; zones by the IANA time zone database."""
    assert clock_time(START_US, zone) == text
    assert clock_time(None, zone) == "—"


def test_daylight_saving_time_is_followed() -> None:
    """2026-07-27T08:00Z is 10:00 in Oslo in summer (IANA time zone database)."""
    assert clock_time(START_US + 181 * 86_400_000_000, "Europe/Oslo") == "10:00"


def test_stage_summary_names_what_is_worst() -> None:
    bench = Bench()
    bench.air(20, 0, 45)
    bench.panel(12.1, 0)
    bench.take([reading("bucket", "water_temp_c", 70, 0, flag=Flag.RANGE)])
    stages = {stage.id: stage for stage in bench.live().stages}
    assert stages["coating"].summary == "panel 12.1 °C, needs 15–25 °C: let it warm"
    assert stages["decontamination"].summary == "all limits hold"
    assert stages["wash"].summary == "water: no sensor here"
    assert [r.fitness for r in stages["coating"].reasons] == ["unfit", "fit", "fit", "fit"]


def alarm_texts(bench: Bench) -> dict[str, Any]:
    return {alarm.id: alarm.text for alarm in bench.live().alarms}


def test_alarm_says_which_stage_and_what_is_wrong() -> None:
    bench = Bench()
    bench.air(21, 0)
    bench.panel(5, 0)
    bench.start("polish", 0)
    bench.go(30)
    assert alarm_texts(bench) == {
        "one-window": "Polishing outside its window: panel 5.0 °C, needs 10–35 °C: let it warm"
    }
    bench.go(121)
    bench.go(200)
    texts = alarm_texts(bench)
    assert texts["one-unknown"].startswith("Polishing not known: ")
    assert "air: no reading since 09:00 from air-a, air-b" in texts["one-unknown"]
    assert texts["one-window"] == "Polishing outside its window: coming back"
