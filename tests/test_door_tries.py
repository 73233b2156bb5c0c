"""Guessing: each failure makes the next try wait longer, and nobody is locked out for ever.

The aim: fewer than 100 guesses a day at a person's PIN, of 10^6 (NIST SP 800-63B 5.2.2 asks for a
limit and allows growing waits; from memory).
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING

import pytest
from argon2 import extract_parameters

from envmon.clock import DAY_US, SECOND_US, ManualClock
from envmon.service.people import secret as people_secret
from envmon.service.people.book import PeopleFile, Person
from envmon.service.people.secret import NOBODY, kept_form
from envmon_boards import door_login
from envmon_boards.door_store import DoorStore
from envmon_boards.door_tries import (
    FREE_OF_ADDRESS,
    FREE_OF_NAME,
    LONGEST_US,
    MOST_KEPT,
    Tries,
    place_of,
    wait_after_us,
)
from tests.door_support import SECRETS, Asker, door_stand

if TYPE_CHECKING:
    from pathlib import Path

HOME, AWAY = "192.0.2.7", "198.51.100.9"  # RFC 5737


@pytest.fixture
def clock() -> ManualClock:
    return ManualClock(0)


@pytest.fixture
def tries(tmp_path: Path, clock: ManualClock) -> Tries:
    return Tries(DoorStore(tmp_path), clock)


@pytest.fixture
def asker(tmp_path: Path) -> Asker:
    return Asker(door_stand(tmp_path).boards)


def fail(tries: Tries, clock: ManualClock, times: int, name: str = "Kari", at: str = AWAY) -> None:
    """Fail so often, waiting each time as long as one must."""
    done = 0
    while done < times:
        left = tries.begin(name, at)
        if left:
            clock.advance(left)
        else:
            done += 1


def test_a_few_are_free_then_each_doubles_up_to_a_quarter_of_an_hour(
    tries: Tries, clock: ManualClock
) -> None:
    waits: list[float] = []
    for _ in range(FREE_OF_NAME):
        assert tries.begin("Kari", AWAY) == 0
    while len(waits) < 12:
        waits.append(tries.begin("Kari", AWAY))
        clock.advance(waits[-1])
        assert tries.begin("Kari", AWAY) == 0
    assert waits == [2, 4, 8, 16, 32, 64, 128, 256, 512, 900, 900, 900]


@pytest.mark.parametrize(("times", "wait_s"), [(0, 0), (3, 0), (4, 2), (5, 4), (12, 512), (13, 900),
                                               (10_000, 900)])  # fmt: skip
def test_the_wait_after_failures(times: int, wait_s: int) -> None:
    assert wait_after_us(times, FREE_OF_NAME) == wait_s * SECOND_US


def test_fewer_than_a_hundred_and_twenty_guesses_on_the_first_day_and_under_a_hundred_later(
    tries: Tries, clock: ManualClock
) -> None:
    days = []
    for day in range(1, 4):
        made = 0
        while clock.now_us() < day * DAY_US:
            left = tries.begin("Kari", AWAY)
            made += not left
            clock.advance(left)
        days.append(made)
    assert days[0] < 120
    assert max(days[1:]) < 100


def test_another_address_does_not_help_who_guesses(tries: Tries, clock: ManualClock) -> None:
    fail(tries, clock, 8)
    assert tries.begin("Kari", "203.0.113.5") > 0
    assert tries.begin("kari ", "203.0.113.6") > 0


def test_who_guesses_at_a_name_does_not_lock_its_owner_out(
    tries: Tries, clock: ManualClock
) -> None:
    assert tries.begin("Kari", HOME) == 0
    tries.good("Kari", HOME)
    fail(tries, clock, 15)
    assert tries.begin("Kari", AWAY) > 0
    assert tries.begin("Kari", HOME) == 0


def test_an_address_that_tries_many_names_waits_too(tries: Tries, clock: ManualClock) -> None:
    for number in range(FREE_OF_ADDRESS):
        assert tries.begin(f"name {number}", AWAY) == 0
    assert tries.begin("one more", AWAY) > 0
    assert tries.begin("one more", HOME) == 0
    clock.advance(LONGEST_US / SECOND_US)
    assert tries.begin("one more", AWAY) == 0


def test_a_good_log_in_between_frees_no_guesses_at_others(tries: Tries, clock: ManualClock) -> None:
    for number in range(FREE_OF_ADDRESS):
        assert tries.begin(f"name {number}", AWAY) == 0
        if tries.begin("Mallory", AWAY) == 0:
            tries.good("Mallory", AWAY)
    assert tries.begin("one more", AWAY) > 0
    assert clock.now_us() == 0


def test_the_waits_are_kept_over_a_restart(tmp_path: Path, clock: ManualClock) -> None:
    fail(Tries(DoorStore(tmp_path), clock), clock, 8)
    assert Tries(DoorStore(tmp_path), clock).begin("Kari", AWAY) > 0


def test_a_clock_set_back_makes_no_wait_longer(tries: Tries, clock: ManualClock) -> None:
    clock.advance(DAY_US / SECOND_US * 40)
    fail(tries, clock, 6)
    clock.advance(-DAY_US / SECOND_US * 30)
    left = tries.begin("Kari", AWAY)
    assert 0 < left <= LONGEST_US / SECOND_US
    clock.advance(left)
    for _ in range(3):
        clock.advance(tries.begin("Kari", AWAY))
    assert tries.begin("Kari", HOME) <= LONGEST_US / SECOND_US


def test_made_up_names_do_not_fill_the_disk(tmp_path: Path, clock: ManualClock) -> None:
    store = DoorStore(tmp_path)
    tries = Tries(store, clock)
    store.rows(
        "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < ?) "
        "INSERT INTO failed SELECT 'k' || i, 1, 0 FROM n", MOST_KEPT * 2
    )  # fmt: skip
    clock.advance(1)
    assert tries.begin("Kari", AWAY) == 0
    assert store.rows("SELECT count(*) FROM failed")[0][0] <= MOST_KEPT
    clock.advance(2 * DAY_US / SECOND_US)
    assert tries.begin("Kari", AWAY) == 0
    assert store.rows("SELECT count(*) FROM failed")[0][0] == 2


def test_no_name_and_no_pin_stands_in_the_file(asker: Asker, tmp_path: Path) -> None:
    asker.log_in("482913", "a PIN in the wrong field")
    kept = b"".join(path.read_bytes() for path in tmp_path.glob("door.sqlite3*"))
    assert b"482913" not in kept
    assert b"wrong field" not in kept


@pytest.mark.parametrize(
    ("address", "place"),
    [("192.0.2.7", "192.0.2.7"), ("2001:db8:1:2:3:4:5:6", "2001:db8:1:2::/64"),
     ("2001:db8:1:2::9", "2001:db8:1:2::/64"), ("", "")],
)  # fmt: skip
def test_ipv6_counts_by_the_network_a_machine_has_all_of(address: str, place: str) -> None:
    assert place_of(address) == place


def test_over_http_a_person_hears_how_long_to_wait(asker: Asker) -> None:
    answers = [asker.log_in("Kari", "111111") for _ in range(FREE_OF_NAME)]
    assert {answer.status for answer in answers} == {401}
    waits = asker.log_in("Kari")
    assert (waits.status, waits.headers["retry-after"]) == (429, "2")
    assert waits.document["error"] == "too many tries: wait 2 s, then try again"
    asker.clock.advance(2)
    assert asker.log_in("Kari").status == 200


def test_many_at_once_count_as_many(asker: Asker) -> None:
    """Guesses in parallel do not slip past the count."""
    with ThreadPoolExecutor(8) as pool:
        codes = list(pool.map(lambda _: asker.log_in("Kari", "111111").status, range(16)))
    assert codes.count(401) <= FREE_OF_NAME
    assert set(codes) == {401, 429}


def test_a_name_nobody_has_gets_the_same_answer_and_the_same_work(
    asker: Asker, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nobody learns from answer or time which names there are."""
    PeopleFile(tmp_path / "people.toml").save(
        [Person("Kari", "work", kept_form("739158"))], tmp_path
    )
    held: list[str] = []

    def counted(kept: str, secret: str) -> bool:
        held.append(kept)
        return people_secret.fits(kept, secret)

    monkeypatch.setattr(door_login, "fits", counted)
    known, made_up = asker.log_in("Kari", "111111"), asker.log_in("Nobody", "111111")
    assert (known.status, known.body) == (made_up.status, made_up.body) == (401, known.body)
    assert held[1] == NOBODY
    assert extract_parameters(held[0]) == extract_parameters(held[1])


def test_the_secret_nobody_has_lets_nobody_in(asker: Asker) -> None:
    assert asker.log_in("Nobody", "nobody has this").status == 401


@pytest.mark.parametrize(
    "body",
    [b"", b"[]", {}, {"name": "Kari"}, {"name": "Kari", "secret": ""}, {"name": 1, "secret": "x"},
     {"name": "Kari", "secret": ["739158"]}, {"name": "Kari", "secret": "x" * 129},
     {"name": "K" * 41, "secret": "x"}, {"name": "Kari", "secret": "739158", "role": "manage"},
     {"name": "Kari", "secret": None}, b"{" * 3_000, b"x" * 5_000,
     {"name": "Kari", "secret": "\ud800"}, {"name": "\udc00", "secret": "739158"}],
)  # fmt: skip
def test_what_is_no_log_in_is_refused(asker: Asker, body: object) -> None:
    answer = asker.ask("POST", "/api/v1/login", body)
    assert answer.status == 422
    assert "set-cookie" not in answer.headers


def test_a_log_says_who_came_in_and_shows_no_secret(
    asker: Asker, caplog: pytest.LogCaptureFixture
) -> None:
    with caplog.at_level("DEBUG"):
        asker.log_in("Kari", "445566")
        asker.log_in("739158", "Kari")  # the fields mixed up
        asker.log_in("Kari")
    assert "wrong log-in as Kari from 192.0.2.7" in caplog.text
    assert "Kari logged in from 192.0.2.7" in caplog.text
    for secret in ("445566", *(secret for _, secret in SECRETS.values())):
        assert secret not in caplog.text


def test_the_same_pin_is_kept_in_another_form_each_time() -> None:
    assert kept_form("739158") != kept_form("739158")
