"""``envmon verify``: a record holds as it was made, and no changed byte goes unnoticed."""

from __future__ import annotations

import hashlib
import json
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from envmon.clock import DAY_US
from envmon.errors import InputError
from envmon.facts import Flag, NewEvent, Reading
from envmon.job import events as names
from envmon.service.keeping.keeper import archive_turn
from envmon.service.record.proof import digest_of, leaves_of, sealed, text_of
from envmon.service.record.verify_command import verify_and_say
from envmon.service.record.verifying import checked
from envmon.service.record.verifying_shop import held_to_shop
from envmon.store.chain import canonical, link
from tests.record_support import JOB, REFERENCE, Story, at_us, told_story

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from envmon.service.record.verifying import Outcome

Document = dict[str, Any]
END = 800.0


@pytest.fixture(scope="module")
def story(tmp_path_factory: pytest.TempPathFactory) -> Story:
    return told_story(tmp_path_factory.mktemp("verify"))


@pytest.fixture(scope="module")
def raw(story: Story) -> bytes:
    """The record as it was handed out, entered by the watch."""
    made = story.desk(END).handed_out(JOB, "json")
    story.enter_asked(END)
    return made


def to_shop(story: Story, raw: bytes) -> Outcome:
    return held_to_shop(checked(raw), json.loads(raw), story.shop_file, None)


def again(document: Document) -> bytes:
    """Return a changed record with every digest worked out anew, as a forger would."""
    bare = {k: v for k, v in document.items() if k not in {"leaves", "digest", "reference"}}
    return text_of({**sealed(bare), "reference": document["reference"]}).encode()


def test_it_holds_by_itself_and_in_the_shops_chain(story: Story, raw: bytes) -> None:
    assert checked(raw).wrong == ()
    outcome = to_shop(story, raw)
    assert outcome.wrong == ()
    assert outcome.said == ()
    assert outcome.job == JOB


def test_the_text_is_canonical_json(raw: bytes) -> None:
    """Keys sorted, no spaces, one line feed at the end: as Python's own json writes it."""
    document = json.loads(raw)
    plain = json.dumps(document, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    assert raw == plain.encode() + b"\n"


def test_the_digest_by_hand(raw: bytes) -> None:
    """SHA-256 (FIPS 180-4) over everything but digest and reference."""
    document = json.loads(raw)
    inside = {k: v for k, v in document.items() if k not in {"digest", "reference"}}
    text = json.dumps(inside, sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    assert document["digest"] == hashlib.sha256(text.encode()).hexdigest()


def test_every_event_of_the_job_and_no_word_of_another(story: Story, raw: bytes) -> None:
    document = json.loads(raw)
    events = list(story.store.events())
    own = {row["seq"]: row for row in document["chain"]["events"]}
    for event in events:
        if event.data.get("job") == JOB and event.kind != names.RECORD_MADE:
            assert own[event.seq]["hash"] == event.hash
            assert own[event.seq]["before"] == events[event.seq - 2].hash
    assert b"SECRET" not in raw
    assert b"south" not in raw
    others = dict(map(tuple, document["chain"]["others"]))
    assert len(others) == 1  # the south bay's alarm, between this job's first and last event
    assert all(events[seq - 1].hash == digest for seq, digest in others.items())


@settings(max_examples=300, deadline=None)
@given(place=st.floats(0, 1, exclude_max=True), flip=st.integers(1, 255))
def test_any_flipped_byte_is_found(raw: bytes, place: float, flip: int) -> None:
    changed = bytearray(raw)
    changed[int(place * len(raw))] ^= flip
    assert not _holds(bytes(changed))


@settings(max_examples=60, deadline=None)
@given(place=st.floats(0, 1), added=st.sampled_from([b" ", b"\n", b"0", b'"', b"\xef\xbb\xbf"]))
def test_any_added_byte_is_found(raw: bytes, place: float, added: bytes) -> None:
    at = int(place * len(raw))
    assert not _holds(raw[:at] + added + raw[at:])


@settings(max_examples=60, deadline=None)
@given(place=st.floats(0, 1, exclude_max=True), count=st.integers(1, 40))
def test_any_missing_byte_is_found(raw: bytes, place: float, count: int) -> None:
    at = int(place * len(raw))
    assert not _holds(raw[:at] + raw[at + count :])


def _holds(raw: bytes) -> bool:
    try:
        return not checked(raw).wrong
    except InputError:
        return False


def test_what_was_changed_is_named(raw: bytes) -> None:
    document = json.loads(raw)
    row = document["measured"]["runs"][2]["limits"][0]
    row["max"] = 23.5
    document["chain"]["events"][3]["data"]["by"] = "Somebody"
    text = "\n".join(checked(text_of(document).encode()).wrong)
    seq, kind = (document["chain"]["events"][3][key] for key in ("seq", "kind"))
    assert "measured/runs/2/limits/0/max is 23.5" in text
    assert f"event {seq} ({kind}) was changed" in text
    assert "the digest is not that of the contents" in text


def test_whitespace_is_named_with_its_place(raw: bytes) -> None:
    wrong = checked(raw.replace(b'":', b'": ', 1)).wrong
    assert len(wrong) == 1
    assert "byte" in wrong[0]
    assert checked(raw + b"\n").wrong != ()
    assert checked(raw.rstrip()).wrong != ()


def _lift_the_air(document: Document) -> None:
    run = next(run for run in document["measured"]["runs"] if run["stage"] == "cure")
    row = run["limits"][0]
    row["min"] = max(row["min"], 15.2)
    row["inside_s"] += row["outside_s"]
    row["outside_s"] = 0.0
    row["excursions"] = {"count": 0, "longest": []}


def _hide_an_override(document: Document) -> None:
    document["overrides"] = document["overrides"][:1]


def _shorten_a_wait(document: Document) -> None:
    document["panels"][0]["wait_s"] = 200.0


def _claim_a_cure(document: Document) -> None:
    document["cure"]["outside_s"], document["cure"]["held"] = 0.0, True


def _widen_a_limit(document: Document) -> None:
    document["limits"]["coating"][0]["high"] = 30.0


def _wash_sooner(document: Document) -> None:
    document["aftercare"]["first_wash"] = "2026-01-30"


def _drop_an_alarm(document: Document) -> None:
    document["alarms"] = []


FORGED: list[tuple[Callable[[Document], None], str]] = [
    (_hide_an_override, "overrides: does not follow from the events"),
    (_shorten_a_wait, "panels: does not follow from the events"),
    (_claim_a_cure, "cure/outside_s is 0.0"),
    (_wash_sooner, "aftercare/first_wash: does not follow"),
    (_drop_an_alarm, "alarms: do not follow from the events"),
    (_widen_a_limit, "limits: does not follow from the events"),
]


@pytest.mark.parametrize(("forge", "said"), FORGED)
def test_recomputed_digests_do_not_help_against_the_events(
    raw: bytes, forge: Callable[[Document], None], said: str
) -> None:
    document = json.loads(raw)
    forge(document)
    assert any(said in text for text in checked(again(document)).wrong)


def test_numbers_with_recomputed_digests_are_caught_by_the_shop(story: Story, raw: bytes) -> None:
    document = json.loads(raw)
    _lift_the_air(document)
    forged = again(document)
    assert checked(forged).wrong == ()
    wrong = "\n".join(to_shop(story, forged).wrong)
    assert "never entered a record with this digest" in wrong
    assert "outside_s is 0.0; from the stored readings follows" in wrong


def test_a_rewritten_event_with_all_its_hashes_is_caught_by_the_shop(
    story: Story, raw: bytes
) -> None:
    """The forger links every later event of the job anew, and works out all digests."""
    document = json.loads(raw)
    chain, others = document["chain"], dict(map(tuple, document["chain"]["others"]))
    note = next(row for row in chain["events"] if row["kind"] == names.NOTED)
    note["data"]["text"] = "Mix: 1:5"
    document["mixing"][0]["text"] = "Mix: 1:5"
    hashes = {0: "0" * 64, **others}
    for row in chain["events"]:
        row["before"] = hashes.get(row["seq"] - 1, row["before"])
        plain = NewEvent(row["at_us"], row["kind"], row["bay"], row["data"])
        row["hash"] = hashes[row["seq"]] = link(row["before"], row["seq"], plain).hash
    forged = again(document)
    assert checked(forged).wrong == ()
    wrong = to_shop(story, forged).wrong
    assert any(f"entry {note['seq']} has another hash" in text for text in wrong)


def test_an_event_hidden_among_the_others_is_caught_by_the_shop(story: Story, raw: bytes) -> None:
    document = json.loads(raw)
    chain = document["chain"]
    alarm = next(row for row in chain["events"] if row["kind"] == "alarm_raised")
    chain["events"].remove(alarm)
    chain["others"] = sorted([*chain["others"], [alarm["seq"], alarm["hash"]]])
    document["alarms"] = []
    wrong = to_shop(story, again(document)).wrong
    assert f"event {alarm['seq']} (alarm_raised) of this job is left out" in wrong


def test_a_head_of_another_chain_is_caught_by_the_shop(story: Story, raw: bytes) -> None:
    document = json.loads(raw)
    document["chain"]["head"]["seq"] += 1000
    wrong = to_shop(story, again(document)).wrong
    assert any("is not in the shop's chain" in text for text in wrong)


def test_a_record_waits_for_the_watch(tmp_path: Path) -> None:
    story = told_story(tmp_path)
    made = story.desk(END).handed_out(JOB, "json")
    assert any("waits for the watch" in text for text in to_shop(story, made).wrong)
    assert story.enter_asked(END) == 1
    assert to_shop(story, made).wrong == ()


def test_readings_taken_in_later_do_not_trouble_an_older_record(tmp_path: Path) -> None:
    story = told_story(tmp_path)
    made = story.desk(END).handed_out(JOB, "json")
    story.enter_asked(END)
    late = Reading("air-a", "air_temp_c", at_us(45.01), 30.0, Flag.LATE, at_us(END + 1))
    story.store.add_readings([late])
    assert to_shop(story, made).wrong == ()
    story.store.add_readings([late._replace(t_us=at_us(45.02), seen_us=at_us(60))])
    wrong = to_shop(story, made).wrong
    assert any(text.startswith("measured/runs/") for text in wrong)


def test_readings_moved_to_the_archive_give_the_same_numbers(tmp_path: Path) -> None:
    story = told_story(tmp_path)
    made = story.desk(END).handed_out(JOB, "json")
    story.enter_asked(END)
    archive_turn(story.shop, story.data, at_us(END) + 10 * DAY_US)
    assert next(story.store.readings(0, 2**62), None) is None
    assert to_shop(story, made).wrong == ()


def test_readings_that_are_gone_are_said(tmp_path: Path) -> None:
    story = told_story(tmp_path)
    made = story.desk(END).handed_out(JOB, "json")
    story.enter_asked(END)
    story.store.run("DELETE FROM reading")
    (wrong,) = to_shop(story, made).wrong
    assert "no reading of that time is kept any more" in wrong


def test_the_reference_stands_outside_and_is_bound(story: Story, raw: bytes) -> None:
    document = json.loads(raw)
    assert document["reference"]["text"] == REFERENCE
    assert raw.count(REFERENCE.encode()) == 1
    document["reference"]["text"] = "another car"
    wrong = checked(text_of(document).encode()).wrong
    assert wrong == ("the vehicle's reference is not the one the job was opened with",)
    document["reference"] = {"text": "x"}
    assert checked(text_of(document).encode()).wrong != ()
    assert to_shop(story, raw).wrong == ()


def test_an_erased_reference_leaves_the_proof_whole(tmp_path: Path) -> None:
    story = told_story(tmp_path)
    before = story.desk(END).handed_out(JOB, "json")
    story.enter_asked(END)
    digest = json.loads(before)["job"]["reference_digest"]
    story.store.forget_reference(JOB)
    story.say(END + 1, names.ERASED, job=JOB, digest=digest)
    after = story.desk(END + 2).handed_out(JOB, "json")
    assert REFERENCE.encode() not in after
    assert json.loads(after)["reference"] is None
    assert json.loads(after)["digest"] == json.loads(before)["digest"]
    assert to_shop(story, after).wrong == ()
    assert checked(before).wrong == ()
    kept = list((story.data / "records").glob("*.json"))
    assert len(kept) == 1
    assert REFERENCE.encode() not in kept[0].read_bytes()


def test_exit_codes(
    story: Story, raw: bytes, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "record.json"
    file.write_bytes(raw)
    assert verify_and_say(file, None, None, as_json=False) == 0
    assert verify_and_say(file, story.shop_file, None, as_json=True) == 0
    said = capsys.readouterr().out.splitlines()
    assert said[0].endswith("everything holds")
    assert json.loads(said[-1])["holds"] is True
    file.write_bytes(raw[:-1])
    assert verify_and_say(file, None, None, as_json=False) == 1
    for unreadable in (b"", b"\xff\xfe", b"[1]", b'{"record":"x"}', b"[" * 100_000, b"nonsense"):
        file.write_bytes(unreadable)
        assert verify_and_say(file, None, None, as_json=False) == 2
    assert verify_and_say(tmp_path / "none.json", None, None, as_json=False) == 2
    assert "cannot be read" in capsys.readouterr().err


@pytest.mark.parametrize(
    "missing", ["chain", "job", "measured", "shop", "made", "stages", "leaves"]
)
def test_a_record_that_lacks_a_part_is_changed_not_a_crash(raw: bytes, missing: str) -> None:
    document = json.loads(raw)
    del document[missing]
    assert checked(text_of(document).encode()).wrong != ()
    document[missing] = 7
    assert checked(text_of(document).encode()).wrong != ()


def test_leaves_name_every_value_once(raw: bytes) -> None:
    document = json.loads(raw)
    assert document["leaves"] == leaves_of(document)
    assert digest_of(document) == document["digest"]
    assert canonical(document) + "\n" == raw.decode()
