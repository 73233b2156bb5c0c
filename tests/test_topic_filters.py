"""Topic filters of the shop file against topics, by the rules of OASIS MQTT 3.1.1."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from paho.mqtt.client import topic_matches_sub

from envmon.errors import InputError
from envmon.intake.topics import TopicTable

# Examples of the standard, sections 4.7.1.3 (single level), 4.7.2 ($) and 4.7.3 (semantics).
CASES = [
    ("sport/tennis/+", "sport/tennis/player1", ("player1",)),
    ("sport/tennis/+", "sport/tennis/player1/ranking", None),
    ("sport/+", "sport", None),
    ("sport/+", "sport/", ("",)),
    ("+/+", "/finance", ("", "finance")),
    ("/+", "/finance", ("finance",)),
    ("+", "/finance", None),
    ("+/monitor/Clients", "$SYS/monitor/Clients", None),
    ("$SYS/monitor/+", "$SYS/monitor/Clients", ("Clients",)),
    ("ACCOUNTS", "Accounts", None),
    ("/finance", "finance", None),
    ("Accounts payable", "Accounts payable", ()),
]


def table_of(*filters: str) -> TopicTable[str]:
    table: TopicTable[str] = TopicTable()
    for each in filters:
        table.add(each, each)
    return table


@pytest.mark.parametrize(("topic_filter", "topic", "texts"), CASES)
def test_examples_of_the_standard(
    topic_filter: str, topic: str, texts: tuple[str, ...] | None
) -> None:
    expected = [] if texts is None else [(topic_filter, texts)]

    assert table_of(topic_filter).match(topic) == expected


def test_every_matching_filter_is_found() -> None:
    table = table_of("shop/north/air", "shop/+/air", "+/north/+", "shop/+", "shop/south/air")

    assert dict(table.match("shop/north/air")) == {
        "shop/north/air": (),
        "shop/+/air": ("north",),
        "+/north/+": ("shop", "air"),
    }


def test_two_items_may_share_a_filter() -> None:
    table: TopicTable[int] = TopicTable()
    for item in (1, 2):
        table.add("a", item)
        table.add("+/b", item)

    assert [item for item, _ in table.match("a")] == [1, 2]
    assert [item for item, _ in table.match("a/b")] == [1, 2]


@pytest.mark.parametrize("topic", ["shop/+/air", "+/+/+", "shop/#"])
def test_name_with_a_wildcard_is_no_topic(topic: str) -> None:
    # OASIS MQTT 3.1.1, section 3.3.2.1: a topic name must not contain wildcards.
    assert table_of("shop/+/air").match(topic) == []


@pytest.mark.parametrize(
    "topic_filter", ["", "shop/#", "#", "shop/a+/air", "++", "a\0b", "a" * 65_536]
)
def test_filter_that_is_not_allowed(topic_filter: str) -> None:
    with pytest.raises(InputError, match="topic is"):
        table_of(topic_filter)


LEVELS = st.lists(st.sampled_from(["a", "b", "", "$x", "+"]), min_size=1, max_size=5)


@given(filters=st.lists(LEVELS.map("/".join).filter(bool), max_size=6, unique=True), levels=LEVELS)
def test_agrees_with_the_reference_client(filters: list[str], levels: list[str]) -> None:
    # paho-mqtt's topic_matches_sub as the reference
    topic = "/".join("c" if level == "+" else level for level in levels)
    found = {item for item, _ in table_of(*filters).match(topic)}

    assert found == {each for each in filters if topic_matches_sub(each, topic)}
