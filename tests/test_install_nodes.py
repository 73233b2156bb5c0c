"""Which user of the broker owns which topics: every point is somebody's, nobody speaks for another.

Matching of topics is that of paho, Eclipse's reference client, and of OASIS MQTT 3.1.1, 4.7.
"""

from __future__ import annotations

from itertools import zip_longest
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from paho.mqtt.client import topic_matches_sub

from envmon.errors import InputError
from envmon.field.first_shop import Answers, BayAnswer, shop_text
from envmon.field.install_nodes import Node, nodes_of, overlap
from envmon.shop.load import check_text, load_shop
from envmon.shop.points import expand_points

LEVELS = st.sampled_from(["a", "b", "hall", "x y", "Å"])
TOPICS = st.lists(LEVELS, min_size=1, max_size=4).map("/".join)
FILTERS = st.lists(LEVELS | st.just("+"), min_size=1, max_size=3).map("/".join)


def below(place: str) -> str:
    return f"{place}/#"


@given(FILTERS | FILTERS.map(below), FILTERS | FILTERS.map(below), TOPICS)
def test_what_matches_both_filters_is_an_overlap(one: str, other: str, topic: str) -> None:
    if topic_matches_sub(one, topic) and topic_matches_sub(other, topic):
        assert overlap(one, other)
        assert overlap(other, one)


@given(FILTERS | FILTERS.map(below), FILTERS | FILTERS.map(below))
def test_an_overlap_has_a_topic_that_matches_both(one: str, other: str) -> None:
    """The topic tried takes at each level the word of the filter that has one."""
    pairs = zip_longest(*(text.removesuffix("/#").split("/") for text in (one, other)))
    topic = "/".join(next((word for word in pair if word and word != "+"), "a") for pair in pairs)
    assert overlap(one, other) == all(topic_matches_sub(text, topic) for text in (one, other))


def shop_with(*topics: str) -> str:
    text = shop_text(Answers(bays=(BayAnswer("Hall"),)), Path("shop.toml"))
    for number, topic in enumerate(topics):
        text += f'\n[[point]]\nid = "p{number}"\nbay = "hall"\ntopic = "{topic}"\n'
        text += f'reads = {{ air_temp_c = {{ name = "t{number}" }} }}\n'
    return text


@settings(max_examples=40)
@given(st.lists(TOPICS.map(lambda topic: f"shop/{topic}"), min_size=1, max_size=5, unique=True))
def test_every_point_has_one_owner_or_the_shop_is_refused(topics: list[str]) -> None:
    shop, faults = check_text(shop_with(*topics), "shop.toml")
    assert shop is not None, faults
    try:
        nodes = nodes_of(shop)
    except InputError:
        with pytest.raises(InputError, match="could speak for each other"):
            nodes_of(shop)
        return
    for topic in topics:
        owners = [node for node in nodes if topic_matches_sub(f"{node.place}/#", topic)]
        assert len(owners) == 1
    assert len({node.user for node in nodes}) == len(nodes)


@pytest.mark.parametrize("name", ["one_bay_metric", "three_bay_us"])
def test_shipped_shops_have_their_nodes(name: str) -> None:
    shop = load_shop(Path(__file__).parent.parent / f"fixtures/shops/{name}.toml")
    nodes = nodes_of(shop)
    points = expand_points(shop.point, [bay.id for bay in shop.bay])
    topics = [point.topic for point in points] + [button.topic for button in shop.button]
    for topic in topics:
        assert sum(overlap(f"{node.place}/#", topic) for node in nodes) == 1


def test_sensors_of_one_place_are_one_node() -> None:
    shop, _ = check_text(shop_with("s/hall/air", "s/hall/panel", "s/boiler", "s/yard/x/t"), "")
    assert shop is not None
    assert nodes_of(shop) == [
        Node("boiler", "s/boiler"), Node("hall", "s/hall"), Node("x", "s/yard/x"),
    ]  # fmt: skip


def test_declared_node_owns_what_is_below_it_and_may_have_no_point_yet() -> None:
    shop, _ = check_text(shop_with("s/hall/air", "s/hall/panel"), "")
    assert shop is not None
    declared = ["roof=s/hall/air", "wall=s/hall/panel", "new=s/new/#"]
    assert nodes_of(shop, declared) == [
        Node("roof", "s/hall/air"), Node("wall", "s/hall/panel"), Node("new", "s/new"),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("declared", "words"),
    [
        (["hall"], "allowed is NAME=TOPIC"),
        (["hall="], "allowed is NAME=TOPIC"),
        (["hall\n=s/x"], "allowed are 1 to 40 of a-z"),
        (["Hall=s/x"], "allowed are 1 to 40 of a-z"),
        (["envmon-2=s/x"], "not envmon at its beginning"),
        (["a=s/x", "a=s/y"], "given twice"),
        (["a=s/x", "b=s/x/y"], "could speak for each other"),
        (["a=s/x", "b=s/+"], "could speak for each other"),
        (["a=envmon/hall"], "where envmon and the broker speak"),
        (["a=+/hall"], "where envmon and the broker speak"),
        (["a=$SYS/x"], "where envmon and the broker speak"),
        (["a=s/x\nuser envmon"], "such characters cannot stand"),
        (["a=s/#/x"], "# and NUL are not allowed"),
    ],
)
def test_what_would_open_a_way_to_others_is_refused(declared: list[str], words: str) -> None:
    shop, _ = check_text(shop_with("s/hall/air"), "")
    assert shop is not None
    with pytest.raises(InputError, match=words.replace("$", r"\$")):
        nodes_of(shop, declared)


def test_point_below_the_topics_of_envmon_is_refused() -> None:
    shop, _ = check_text(shop_with("envmon/hall/air"), "")
    if shop is None:
        return  # the shop file itself refuses it
    with pytest.raises(InputError, match="give its points another topic"):
        nodes_of(shop)
