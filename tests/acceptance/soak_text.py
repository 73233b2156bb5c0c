"""The shop file of the soak: three bays with air of their own, a log-in, a broker by TLS."""

from __future__ import annotations

BROKER_PORT, NODES_PORT = 1883, 8883
SITE = "gannet_street"
SHOP = """
[shop]
name = "Gannet Street Surface Care"
site = "{site}"
timezone = "Europe/Oslo"
silence = "{silence} s"
boards_port = {boards}

[store]
folder = "{data}"

[boards]
people_file = "people.toml"

[broker]
kind = "external"
host = "{host}"
port = {port}
username = "envmon"
password_file = "{password}"
{authority}
[[bay]]
id = "one"
name = "Bay one"
air_space = "one"
procedure = "work"

[[bay]]
id = "two"
name = "Bay two"
air_space = "two"
procedure = "work"

[[bay]]
id = "three"
name = "Bay three"
air_space = "three"
procedure = "service"
{points}
[[point]]
id = "outdoor"
topic = "soak/outdoor"
stale_after = {stale}
reads = {{ outdoor_temp_c = {{ name = "temp", spike = 0, rate = 0, flat_after = 0 }} }}

[[product]]
id = "test_wax"
name = "Test wax (invented)"
sheet = 2025-11-03
source = "Test wax data sheet, edition 1 (invented)"

[[product.limit]]
stage = "polish"
quantity = "air_temp_c"
low = 14
high = 30
on_delay = 90
off_delay = 45

[[product.limit]]
stage = "polish"
quantity = "rel_hum_pct"
high = 65
on_delay = 60
off_delay = 30

[[product]]
id = "test_glaze"
name = "Test glaze (invented)"
sheet = 2025-11-03
source = "Test glaze data sheet, edition 2 (invented)"
flash = ["2 min", "5 min"]

[[procedure]]
id = "work"
name = "Work"
step = [{{ stage = "polish", product = "test_wax" }}]

[[procedure]]
id = "service"
name = "Service"
step = [
    {{ stage = "wipe" }}, {{ stage = "coating", product = "test_glaze" }},
    {{ stage = "polish", product = "test_wax" }},
]

[[contact]]
id = "ola"
name = "Ola"
channels = ["ola-phone"]
least = "low"
"""
POINT = """
[[point]]
id = "{id}"
bay = "{bay}"
topic = "soak/{id}"
stale_after = {stale}
reads = {{ {reads} }}
"""
PLAIN = "spike = 0, rate = 0, flat_after = 0"
AIR = f'air_temp_c = {{ name = "temp", {PLAIN} }}'
RH = f'rel_hum_pct = {{ name = "rh", {PLAIN} }}'
PANEL = f'panel_temp_c = {{ name = "temp", {PLAIN} }}'
STUCK = 'panel_temp_c = { name = "temp", spike = 0, rate = 0, flat_after = "2 h" }'
POINTS = (
    ("one-air", "one", f"{AIR}, {RH}"), ("one-air2", "one", AIR), ("one-panel", "one", STUCK),
    ("two-air", "two", f"{AIR}, {RH}"), ("two-panel", "two", PANEL),
    ("three-air", "three", f"{AIR}, {RH}"),
)  # fmt: skip


def shop_text(
    *, stale_s: int, silence_s: int, boards: int, data: str, broker: dict[str, str]
) -> str:
    """Return the shop file.

    Args:
        stale_s: After so long a reading is stale [s].
        silence_s: After so long without a word of the watch screens show nothing [s].
        boards: Port of the boards.
        data: Data folder.
        broker: ``host``, ``password`` (its file) and ``authority`` (a line, or nothing).
    """
    points = "".join(
        POINT.format(id=point, bay=bay, reads=reads, stale=stale_s) for point, bay, reads in POINTS
    )
    return SHOP.format(
        site=SITE, silence=silence_s, boards=boards, data=data, port=BROKER_PORT, points=points,
        stale=stale_s, **broker,
    )  # fmt: skip
