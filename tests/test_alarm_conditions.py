"""What alarms, when exactly, and what follows from what.

Delays are those of ``alarm_kinds`` (common practice); the states are those of ISA-18.2 and
IEC 62682 (from memory). The 3 K rule and frost at 5 °C are of the trade (common practice).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import msgspec
import pytest

from envmon.clock import SECOND_US
from envmon.facts import Flag
from envmon.guard import alarm_acts as acts
from envmon.guard.describe import shop_alarms
from envmon.guard.engine import fitted_state
from envmon.guard.plan import SHOP as NO_BAY
from envmon.guard.state import GuardState
from tests.guard_support import SHOP, START_US, Bench, event, plan_from, reading

if TYPE_CHECKING:
    from collections.abc import Callable

    from envmon.guard.live import AlarmState
    from envmon.guard.state import Finding

EVERY_S = 20
GOOD = Flag.GOOD


class Bay(Bench):
    """A bench that keeps its sensors speaking, so that only what is asked for goes wrong."""

    def __init__(self) -> None:
        super().__init__()
        self.at_s = 0
        self.seq = 100
        self.values = {
            ("air-a", "air_temp_c"): 20.5, ("air-a", "rel_hum_pct"): 45.0,
            ("air-b", "air_temp_c"): 20.5, ("panel", "panel_temp_c"): 20.0,
            ("bucket", "water_temp_c"): 35.0,
        }  # fmt: skip
        self.silent: set[str] = set()
        self.flags: dict[str, Flag] = {}

    def live_on(self, seconds: int, **per_hour: float) -> list[Finding]:
        """Let time pass; ``per_hour`` moves a quantity by so much an hour, at all its points."""
        found = []
        for _ in range(seconds // EVERY_S):
            self.at_s += EVERY_S
            for key in self.values:
                self.values[key] += per_hour.get(key[1], 0.0) * EVERY_S / 3600
            found += self.take([
                reading(point, name, round(value, 3), self.at_s, flag=self.flags.get(point, GOOD))
                for (point, name), value in self.values.items()
                if point not in self.silent
            ])  # fmt: skip
        return found

    def put(self, quantity: str, value: float) -> None:
        self.values.update({key: value for key in self.values if key[1] == quantity})

    def say(self, kind: str, bay: str = "one", **data: Any) -> list[Finding]:
        self.seq += 1
        return self.take([], [event(self.seq, kind, bay, self.at_s, data)])

    def stage(self, stage: str | None) -> list[Finding]:
        kind = "stage_ended" if stage is None else "stage_started"
        return self.say(kind, **({} if stage is None else {"stage": stage}))

    def alarm(self, alarm_id: str) -> AlarmState | None:
        found = {alarm.id: alarm for alarm in shop_alarms(self.plan, self.state).alarms}
        return found.get(alarm_id)

    def life(self, alarm_id: str) -> str:
        alarm = self.alarm(alarm_id)
        return alarm.life if alarm else "NORM"


@pytest.fixture
def bay() -> Bay:
    made = Bay()
    made.live_on(600)
    assert shop_alarms(made.plan, made.state).alarms == ()
    return made


def kinds(found: list[Finding], kind: str = acts.RAISED) -> list[str]:
    return [f.data["alarm"] for f in found if f.kind == kind]


def seconds(finding: Finding) -> float:
    return (finding.at_us - START_US) / SECOND_US


def test_water_on_a_curing_panel_latches_until_it_was_seen_and_reset(bay: Bay) -> None:
    bay.stage("cure")
    bay.live_on(600)
    start_s = bay.at_s
    bay.put("panel_temp_c", 6.0)  # dew point at 20.5 °C and 45 % is about 8 °C
    found = [f for f in bay.live_on(600) if f.data.get("alarm") == "one-condensation"]
    assert [(f.kind, seconds(f) - start_s) for f in found] == [(acts.RAISED, EVERY_S + 120)]
    assert found[0].data["priority"] == "high"
    assert "below the dew point" in found[0].data["text"]
    bay.put("panel_temp_c", 20.0)
    bay.live_on(1800)
    assert bay.life("one-condensation") == "LTUNK"
    bay.stage(None)  # the car's coating has still been wet
    bay.live_on(3600)
    assert bay.life("one-condensation") == "LTUNK"
    bay.say(acts.RESET, alarm="one-condensation")
    assert bay.life("one-condensation") == "LTUNK"  # first it has to be acknowledged
    bay.say(acts.ACKNOWLEDGED, alarm="one-condensation", by="Ada")
    assert bay.life("one-condensation") == "LTACK"
    bay.say(acts.RESET, alarm="one-condensation")
    assert bay.life("one-condensation") == "NORM"


def test_a_wet_panel_that_nobody_coats_is_suppressed_by_design(bay: Bay) -> None:
    bay.stage("wash")
    bay.put("panel_temp_c", 6.0)
    found = bay.live_on(900)
    assert "one-condensation" not in kinds(found)
    assert bay.life("one-condensation") == "DSUPR"
    assert "one-condensation" in kinds(bay.stage("polish") + bay.live_on(20))
    assert bay.life("one-condensation") == "UNACK"


def test_stores_near_freezing_alarm_whatever_is_worked_and_break_the_quiet(bay: Bay) -> None:
    bay.put("air_temp_c", 4.9)
    start_s = bay.at_s
    found = bay.live_on(900)
    (frost,) = [f for f in found if f.kind == acts.RAISED and f.data["what"] == "frost"]
    assert seconds(frost) == start_s + EVERY_S + 300
    assert (frost.data["priority"], frost.data["stage"]) == ("high", None)
    bay.put("air_temp_c", 5.5)  # less than the deadband of 1 K back: nothing is over
    assert "one-frost" not in kinds(bay.live_on(1800), acts.CLEARED)
    bay.put("air_temp_c", 7.0)
    assert "one-frost" in kinds(bay.live_on(1800), acts.CLEARED)
    assert bay.life("one-frost") == "RTNUN"


def test_a_cure_outside_its_window_is_interrupted_after_ten_minutes(bay: Bay) -> None:
    bay.stage("cure")
    bay.live_on(60)
    start_s = bay.at_s
    bay.put("rel_hum_pct", 75.0)
    found = bay.live_on(1200)
    raised = {f.data["what"]: seconds(f) - start_s for f in found if f.kind == acts.RAISED}
    assert raised["window"] == EVERY_S + 180
    assert raised["cure_break"] == EVERY_S + 600
    bay.put("rel_hum_pct", 45.0)
    bay.live_on(1800)
    assert (bay.life("one-cure_break"), bay.life("one-window")) == ("LTUNK", "RTNUN")


def test_about_to_leave_is_said_before_and_the_window_alarm_after(bay: Bay) -> None:
    bay.stage("coating")
    found = bay.live_on(5 * 3600, air_temp_c=-1.0)  # 20.5 → 18 °C in 2.5 h
    leaving = next(f for f in found if f.kind == acts.RAISED and f.data["what"] == "leaving")
    window = next(f for f in found if f.kind == acts.RAISED and f.data["what"] == "window")
    ahead_s = seconds(window) - 180 - seconds(leaving)
    assert 300 < ahead_s <= 1200 - 360
    assert "air" in leaving.data["text"]
    assert leaving.data["priority"] == "medium"
    assert seconds(window) == pytest.approx(600 + 2.5 * 3600 + 180, abs=60)


def test_a_heater_that_does_not_answer_explains_the_cold(bay: Bay) -> None:
    bay.stage("coating")
    bay.live_on(600)
    bay.put("air_temp_c", 15.0)
    found = bay.live_on(3600, air_temp_c=-2.0)
    raised = {f.data["what"]: f for f in found if f.kind == acts.RAISED}
    assert "not getting warmer" in raised["heater"].data["text"]
    # After the heater's alarm what the cold brings follows from it, with no message of its own.
    found = bay.live_on(8 * 3600, air_temp_c=-2.0)
    frost = next(f for f in found if f.kind == acts.RAISED and f.data["what"] == "frost")
    assert frost.data["under"] == "one-heater"
    bay.live_on(2 * 3600, air_temp_c=3.0)
    assert bay.life("one-heater") in {"RTNUN", "NORM"}


def test_a_bay_that_warms_up_has_a_heater_that_answers(bay: Bay) -> None:
    bay.stage("coating")
    bay.put("air_temp_c", 10.0)
    found = bay.live_on(3 * 3600, air_temp_c=2.0)
    assert "one-heater" not in kinds(found)
    assert "one-window" in kinds(found)


def test_a_dead_sensor_is_lost_and_what_hangs_on_it_unknown_in_one_message(bay: Bay) -> None:
    bay.stage("coating")
    bay.live_on(60)
    start_s = bay.at_s
    bay.silent = {"panel"}
    found = [f for f in bay.live_on(900) if f.kind == acts.RAISED]
    at = {f.data["alarm"]: seconds(f) - start_s for f in found}
    assert at == {"one-unknown": 180.000_001, "panel-lost": 240.000_001}
    (lost,) = [f for f in found if f.data.get("alarm") == "panel-lost"]
    assert lost.data["under"] == "one-unknown"
    assert "panel" in lost.data["text"]


@pytest.mark.parametrize(
    ("flag", "what", "reads"),
    [(Flag.FLAT, "stuck", "has not moved"), (Flag.RANGE, "wild", "cannot be")],
)
def test_a_sensor_with_flags_confesses_and_is_not_believed(
    bay: Bay, flag: Flag, what: str, reads: str
) -> None:
    bay.stage("coating")
    bay.flags = {"panel": flag}
    found = bay.live_on(600)
    assert f"panel-{what}" in kinds(found)
    assert "one-unknown" in kinds(found)
    alarm = bay.alarm(f"panel-{what}")
    assert alarm is not None
    assert reads in alarm.text
    assert bay.fitness("coating") == "unknown"


def test_a_doubt_takes_no_word_away(bay: Bay) -> None:
    bay.stage("coating")
    bay.live_on(600)
    bay.flags = {"air-a": Flag.WET}
    found = bay.live_on(600)
    assert kinds(found) == ["air-a-wet"]
    assert bay.fitness("coating") == "fit"


def test_one_leap_that_nothing_confirms_changes_nothing(bay: Bay) -> None:
    bay.stage("coating")
    bay.live_on(600)
    bay.flags, before = {"panel": Flag.SPIKE}, bay.values["panel", "panel_temp_c"]
    bay.put("panel_temp_c", -127.0)
    bay.live_on(EVERY_S)
    bay.flags = {}
    bay.put("panel_temp_c", before)
    assert kinds(bay.live_on(600)) == []
    assert bay.fitness("coating") == "fit"


def test_sensors_that_disagree_are_told_once(bay: Bay) -> None:
    bay.values["air-b", "air_temp_c"] = 24.0  # more than 2 K apart
    assert kinds(bay.live_on(1200)) == ["one-apart"]


def test_a_sensor_that_drifts_is_found_over_days_and_a_standing_difference_is_not() -> None:
    bay = Bay()
    bay.values["air-b", "air_temp_c"] = 20.9  # always a little warmer
    assert "one-drift" not in kinds(_slowly(bay, 6 * 24, 0.0))
    found = _slowly(bay, 8 * 24, 0.01)  # 0.24 K a day
    assert "one-drift" in kinds(found)
    assert "apart" not in {f.data.get("what") for f in found}
    bay.say("calibration_accepted", NO_BAY, point="air-b", quantity="air_temp_c")
    assert bay.state.bays["one"].gaps == {}


def _slowly(bay: Bay, hours: int, drift_per_h: float) -> list[Finding]:
    """Let hours pass with a reading a minute."""
    found = []
    for _ in range(hours * 60):
        bay.at_s += 50
        bay.values["air-b", "air_temp_c"] += drift_per_h * 50 / 3600
        found += bay.take([
            reading(point, name, round(value, 3), bay.at_s)
            for (point, name), value in bay.values.items()
        ])  # fmt: skip
    return found


def test_a_broker_that_dies_is_one_message_for_the_whole_shop(bay: Bay) -> None:
    bay.stage("coating")
    bay.live_on(60)
    bay.say(acts.TROUBLE_BEGAN, NO_BAY, what="broker", text="no connection to the broker")
    found = bay.go(bay.at_s + 3600)
    roots = [f for f in found if f.kind == acts.RAISED and "under" not in f.data]
    assert roots == []  # the broker's own was found with the event
    assert bay.alarm("shop-broker") is not None
    under = {f.data["alarm"]: f.data["under"] for f in found if f.kind == acts.RAISED}
    assert under["one-unknown"] == under["shop-silence"] == "shop-broker"
    assert len([a for a in under if a.endswith("-lost")]) == 4
    bay.at_s += 3600
    bay.say(acts.TROUBLE_OVER, NO_BAY, what="broker")
    bay.live_on(1800)
    assert {a.life for a in shop_alarms(bay.plan, bay.state).alarms} == {"RTNUN"}


def test_silence_of_all_sensors_comes_before_what_follows_from_it(bay: Bay) -> None:
    bay.stage("coating")
    bay.live_on(60)
    start_s = bay.at_s
    found = [f for f in bay.go(bay.at_s + 600) if f.kind == acts.RAISED]
    assert found[0].data["alarm"] == "shop-silence"
    assert seconds(found[0]) == pytest.approx(start_s + 90 + 20, abs=0.001)
    assert {f.data.get("under") for f in found[1:]} == {"shop-silence"}


def test_shelved_it_is_quiet_for_its_time_and_comes_back_by_itself(bay: Bay) -> None:
    bay.stage("coating")
    bay.put("rel_hum_pct", 70.0)
    bay.live_on(600)
    bay.say(acts.SHELVED, alarm="one-window", minutes=30, reason="rinsing next door", by="Ada")
    shelved = bay.alarm("one-window")
    assert shelved is not None
    assert (shelved.life, shelved.reason, shelved.by) == ("SHLVD", "rinsing next door", "Ada")
    assert [a.id for a in bay.live().alarms] == []
    start_s = bay.at_s
    found = [f for f in bay.live_on(3600) if f.data.get("alarm") == "one-window"]
    assert [(f.kind, seconds(f)) for f in found] == [
        (acts.SHELF_OVER, start_s + 1800),
        (acts.RAISED, start_s + 1800),
    ]


@pytest.mark.parametrize("minutes", [1e9, -5, 0, "90", None, True, float("nan")])
def test_nothing_is_shelved_for_longer_than_the_shop_allows(bay: Bay, minutes: object) -> None:
    bay.say(acts.SHELVED, alarm="one-frost", minutes=minutes, reason="x")
    bay.go(bay.at_s + 8 * 3600 - 1)
    assert bay.life("one-frost") == "SHLVD"
    bay.go(bay.at_s + 8 * 3600 + 1)
    assert bay.life("one-frost") == "NORM"


def test_acknowledged_it_is_raised_again_after_an_hour_while_it_stands(bay: Bay) -> None:
    bay.stage("coating")
    bay.put("rel_hum_pct", 70.0)
    bay.live_on(600)
    bay.say(acts.ACKNOWLEDGED, alarm="one-window", by="Ada")
    start_s = bay.at_s
    found = [f for f in bay.live_on(5400) if f.data.get("alarm") == "one-window"]
    assert [(f.kind, seconds(f)) for f in found] == [(acts.AGAIN, start_s + 3600)]
    assert bay.life("one-window") == "UNACK"


def test_out_of_service_until_put_back(bay: Bay) -> None:
    bay.say(acts.REMOVED, alarm="panel-lost", reason="in the salt jar")
    bay.silent = {"panel"}
    assert "panel-lost" not in kinds(bay.live_on(24 * 3600))
    assert bay.life("panel-lost") == "OOSRV"
    assert kinds(bay.say(acts.RETURNED, alarm="panel-lost")) == ["panel-lost"]


@pytest.mark.parametrize("alarm", ["", "nowhere", "two-window", None, 7, ["one-window"]])
def test_an_act_on_what_is_not_there_changes_nothing(bay: Bay, alarm: object) -> None:
    before = bay.state.bays["one"].alarms
    for kind in sorted(acts.ACTS):
        assert bay.say(kind, alarm=alarm) == []
    assert bay.state.bays["one"].alarms == before


def test_a_restart_in_every_state_is_no_restart(bay: Bay) -> None:
    """The same half day, once in one go and once with the state through its snapshot each time."""
    other = Bay()
    other.live_on(600)
    script: list[Callable[[Bay], object]] = [
        lambda b: b.stage("cure"), lambda b: b.put("panel_temp_c", 6.0),
        lambda b: b.say(acts.ACKNOWLEDGED, alarm="one-condensation", by="Ada"),
        lambda b: b.put("panel_temp_c", 20.0),
        lambda b: b.say(acts.SHELVED, alarm="one-window", minutes=45, reason="x"),
        lambda b: b.put("rel_hum_pct", 80.0), lambda b: b.silent.add("panel"),
        lambda b: b.say(acts.REMOVED, alarm="panel-lost", reason="x"),
        lambda b: b.say(acts.TROUBLE_BEGAN, NO_BAY, what="disk", text="full"),
        lambda b: b.stage("polish"), lambda b: b.silent.clear(), lambda b: b.stage(None),
        lambda b: b.say(acts.RETURNED, alarm="panel-lost"),
        lambda b: b.say(acts.RESET, alarm="one-condensation"),
        lambda b: b.say(acts.TROUBLE_OVER, NO_BAY, what="disk"),
    ]  # fmt: skip
    lives = set[str]()
    for act in script:
        for each in (bay, other):
            act(each)
            each.live_on(1200)
        other.state = msgspec.json.decode(msgspec.json.encode(other.state), type=GuardState)
        lives |= {a.life for b in bay.state.bays.values() for a in b.alarms.values()}
    assert lives >= {"UNACK", "ACKED", "RTNUN", "LTACK", "SHLVD", "OOSRV"}
    assert other.findings == bay.findings
    assert other.state == bay.state


def test_a_state_of_the_version_before_is_read_and_its_alarm_goes_on(bay: Bay) -> None:
    """Until 0.2 the kind was the key, the trail had three columns, and the shop no state."""
    bay.stage("coating")
    bay.put("rel_hum_pct", 70.0)
    bay.live_on(300)
    document = msgspec.json.decode(msgspec.json.encode(bay.state))
    del document["bays"][NO_BAY]
    for old in document["bays"].values():
        window = old["alarms"].get("one-window")
        kept = {"since_us": window["since_us"], "stage": window["stage"]} if window else None
        old["alarms"] = {"window": kept} if kept else {}
        old["trail"] = [entry[:3] for entry in old["trail"]]
        for key in ("signs", "gaps", "troubles", "begun_us"):
            del old[key]
    for last in document["newest"].values():
        del last["flag"]
    state = msgspec.json.decode(msgspec.json.encode(document), type=GuardState)
    bay.state, found = fitted_state(bay.plan, state)
    assert found == []
    assert bay.life("one-window") == "UNACK"
    bay.put("rel_hum_pct", 45.0)
    assert kinds(bay.live_on(1500), acts.CLEARED) == ["one-window"]


def test_what_stands_when_a_coating_begins_is_raised_anew_and_latches(bay: Bay) -> None:
    bay.say(acts.TROUBLE_BEGAN, NO_BAY, what="broker", text="gone")
    bay.stage("wipe")
    bay.put("panel_temp_c", 6.0)
    bay.live_on(600)
    bay.say(acts.ACKNOWLEDGED, alarm="one-condensation", by="Ada")
    found = bay.stage("coating")
    again = {f.data["alarm"]: f.data["priority"] for f in found if f.kind == acts.AGAIN}
    assert again == {"one-condensation": "high", "shop-broker": "high"}
    assert bay.life("one-condensation") == "UNACK"
    bay.put("panel_temp_c", 20.0)
    bay.live_on(1800)
    assert bay.life("one-condensation") == "LTUNK"
    assert [f for f in bay.stage("early_cure") if f.kind == acts.AGAIN] == []


def test_shelved_what_latched_comes_back_latched(bay: Bay) -> None:
    bay.stage("cure")
    bay.put("panel_temp_c", 6.0)
    bay.live_on(600)
    bay.say(acts.SHELVED, alarm="one-condensation", minutes=30, reason="x")
    bay.put("panel_temp_c", 20.0)
    bay.live_on(3600)
    assert bay.life("one-condensation") == "LTUNK"


def test_frost_cannot_hide_behind_a_dead_sensor(bay: Bay) -> None:
    bay.put("air_temp_c", 9.0)
    bay.live_on(120)
    bay.silent = {"air-a", "air-b"}
    found = bay.live_on(1800)
    assert "one-frost_unknown" in kinds(found)
    alarm = bay.alarm("one-frost_unknown")
    assert alarm is not None
    assert (alarm.priority, alarm.under) == ("medium", None)
    bay.silent = set()
    assert "one-frost_unknown" in kinds(bay.live_on(300), acts.CLEARED)


def test_a_warm_bay_with_a_dead_sensor_wakes_nobody_for_frost(bay: Bay) -> None:
    bay.silent = {"air-a", "air-b"}
    assert "one-frost_unknown" not in kinds(bay.live_on(3600))


def test_stock_taken_away_while_frost_stands_ends_it() -> None:
    bay = Bay()
    bay.put("air_temp_c", 4.0)
    bay.live_on(900)
    assert bay.life("one-frost") == "UNACK"
    plan = plan_from(SHOP.replace('name = "Bay one"', 'name = "Bay one"\nkeeps_stock = false'))
    state, found = fitted_state(plan, bay.state)
    assert [f.data["alarm"] for f in found] == ["one-frost"]
    assert shop_alarms(plan, state).alarms == ()
