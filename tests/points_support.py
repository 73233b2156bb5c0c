"""A small shop with comments in every place, for the tests of claiming."""

from __future__ import annotations

from typing import TYPE_CHECKING

from envmon.field.claim import Claim, Taken

if TYPE_CHECKING:
    from pathlib import Path

SHOP = """\
# The shop on the quay.
[shop]
name = "Fjord Lane"   # as on the door
site = "fjord_lane"
timezone = "Europe/Oslo"

[broker]
kind = "external"
port = 1883

[[bay]]
id = "north"
name = "North bay"

[[bay]]
id = "south"
name = "South bay"

# One entry serves both bays.
[[point]]
id = "{1}-air"
bay = "{1}"
topic = "fjord/+/air"   # on the beams
reads = { air_temp_c = { name = "temp" } }   # SenML

# Products stand below.
[[product]]
id = "wipe"
name = "Slipway Wipe (invented)"
sheet = 2025-06-15
source = "invented"
carrier = "2-propanol"
flash_off = "5 min"
"""
PANEL = Claim("panel", "north", "fjord/panel", "number", (Taken("panel_temp_c"),))


def shop_file(folder: Path, port: int = 1883) -> Path:
    file = folder / "shop.toml"
    file.write_text(SHOP.replace("port = 1883", f"port = {port}"), encoding="utf-8")
    return file
