"""From the alarm to the phone to the link to the watch to silence: every part real but the broker.

The life cycle that acknowledging belongs to: ISA-18.2 / IEC 62682 (from memory).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
import requests

from envmon.clock import ManualClock
from envmon.service.watch import Watch
from tests.boards_support import NOW_US, shop_from, shop_text, stand_of
from tests.notice_support import Stand
from tests.watch_support import HandLink

if TYPE_CHECKING:
    from pathlib import Path

    from tests.notice_servers import HttpReceiver

pytest_plugins = ["tests.notice_fixtures"]
PEOPLE = (
    '\n[[contact]]\nid = "ola"\nname = "Ola"\nchannels = ["phone"]\n'
    '\n[[contact]]\nid = "kari"\nname = "Kari"\nchannels = ["phone"]\nafter = "10 min"\n'
)


@pytest.mark.parametrize("pressed", [True, False])
def test_link_of_the_message_stops_the_escalation(
    tmp_path: Path,
    phone: HttpReceiver,
    pressed: bool,  # noqa: FBT001
) -> None:
    boards = stand_of(tmp_path, shop_text() + PEOPLE)
    link = f'\n[notice]\nlink_base = "{boards.url}"\n'
    scene = Stand(tmp_path, shop_text() + PEOPLE + link, ManualClock(NOW_US))
    watch = Watch(shop_from(shop_text()), scene.store, HandLink(), scene.clock)
    scene.store.ask("stage_started", "north", {"stage": "coating"}, scene.clock.now_us())
    scene.clock.advance(1)
    watch.turn(0)  # nothing is heard of the bay: the coating stage cannot be told
    for _ in range(40):
        scene.clock.advance(10)
        watch.turn(0)
        scene.settle()
        if phone.got:
            break
    first, _, address = phone.got[0]["message"].partition("\n")
    assert first.startswith("HIGH North bay")
    assert address.startswith(f"{boards.url}/ack/")
    if pressed:
        with boards.serving():
            assert requests.get(address, timeout=10).status_code == 200
            assert requests.post(address, timeout=10).status_code == 200
        watch._requests_at = 0.0
        watch.turn(0)
        assert any(e.kind == "alarm_acknowledged" for e in scene.store.events())
    before = len(phone.got)
    for _ in range(20):
        scene.clock.advance(60)
        scene.settle()
    told = [line[:20] for line in phone.lines[before:]]
    repeated = ["NOT ACKNOWLEDGED: HI"] * 2  # to Ola and to Kari, a quarter of an hour later
    assert told == ([] if pressed else ["NOBODY ACKNOWLEDGED:", *repeated])
    scene.close()
