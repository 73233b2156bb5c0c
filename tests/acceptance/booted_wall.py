"""The wall of a booted machine: cage and Chromium as the unit starts them, on a screen in memory.

The screen is an X server without hardware, which cage takes for its output; all else is as it
would be at a real one. What hangs on a graphics chip cannot be seen so.
"""

from __future__ import annotations

import shutil
from typing import TYPE_CHECKING

from PIL import Image

from tests.acceptance.booted_checks import board, process, reading_comes, shows
from tests.acceptance.booted_tree import SCREEN, wait_for

if TYPE_CHECKING:
    from pathlib import Path

    from tests.acceptance.booted_machine import Booted

WIDE, HIGH = 1920, 1080
# --ground of dashboards/envmon_boards/assets/look_a_tokens.css, dark and bright.
GROUNDS = ((0x0A, 0x10, 0x13), (0xE9, 0xE6, 0xDD))
COLOURS = 800
"""The wall has 1 700 or so; a page that loads yet, 190."""
SERVER = f"[Service]\nExecStart=/usr/bin/Xvfb :7 -screen 0 {WIDE}x{HIGH}x24 -ac -nocursor\n"
SETTINGS = "WLR_BACKENDS=x11 WLR_RENDERER=pixman DISPLAY=:7"
BROWSER = "chromium/chromium --show"
SHOT = "/var/tmp/wall.png"


def hang_screen(machine: Booted) -> None:
    """Give the machine its screen before the wall is switched on."""
    machine.ok(f"apt-get install -y --no-install-recommends {' '.join(SCREEN)}")
    units = machine.tree / "etc/systemd/system"
    (units / "screen.service").write_text(SERVER, encoding="utf-8")
    beside = units / "envmon-wall.service.d/trial.conf"
    beside.parent.mkdir(parents=True, exist_ok=True)
    before = "[Unit]\nRequires=screen.service\nAfter=screen.service\n"
    beside.write_text(f"{before}[Service]\nEnvironment={SETTINGS}\n", encoding="utf-8")
    machine.ok("systemctl daemon-reload")


def looked_at(machine: Booted, to: Path, value: float) -> str:
    """Send a reading, and take a picture of the screen when the wall is on it."""
    reading_comes(machine, value)
    process(machine, BROWSER, "envmon-wall")
    seen = wait_for(lambda: _picture(machine), "the wall on the screen", 120)
    shutil.copy(machine.tree / SHOT.lstrip("/"), to)
    return f"{to}, {seen} colours"


def _picture(machine: Booted) -> int:
    """Take a picture; return how many colours it has, or 0 while it is not the wall."""
    size = "w=$(xdotool search --name '' | tail -1); xdotool windowsize --sync $w"
    machine.run(f"export DISPLAY=:7; {size} {WIDE} {HIGH}", seconds=30)
    if machine.run(f"DISPLAY=:7 import -window root {SHOT}", seconds=60).code:
        return 0
    with Image.open(machine.tree / SHOT.lstrip("/")) as picture:
        plain = picture.convert("RGB")
        corner = plain.getpixel((4, HIGH - 4))
        colours = len(plain.getcolors(WIDE * HIGH) or [])
    assert isinstance(corner, tuple)
    near = any(
        all(abs(a - b) <= 3 for a, b in zip(corner, ground, strict=True)) for ground in GROUNDS
    )
    return colours if near and colours > COLOURS and _is_open(machine) else 0


def _is_open(machine: Booted) -> bool:
    """Return whether the browser holds on to the screens' stream; a page of errors has none."""
    held = machine.run("ss -Htnp state established '( dport = :8050 )'").text
    return "chromium" in held


def comes_back(machine: Booted, folder: Path) -> str:
    """The wall outlives its screens, and its browser and cage are started again."""
    said = []
    harms = {
        "boards": ("envmon_boards", "envmon"),
        "browser": (BROWSER, "envmon-wall"),
        "cage": ("cage -s", "envmon-wall"),
    }
    for n, (name, (what, user)) in enumerate(harms.items()):
        before = process(machine, what, user)
        machine.ok(f"kill -KILL {before}")
        wait_for(lambda: board(machine, "/healthz"), "the screens", 120)
        process(machine, what, user, other_than=before)
        said.append(looked_at(machine, folder / f"wall_after_{name}.png", round(21.1 + n / 10, 1)))
    return "; ".join(said)


def dark_screen(machine: Booted) -> str:
    """A cage that cannot start is seen by systemd and started again, and the wall comes then."""
    beside = "/run/systemd/system/envmon-wall.service.d"
    none = "[Service]\\nEnvironment=WLR_BACKENDS=none\\n"
    again = "systemctl daemon-reload; systemctl restart envmon-wall"
    machine.ok(f"mkdir -p {beside}; printf '{none}' >{beside}/z.conf; {again}")
    first = shows(machine, "envmon-wall", "NRestarts")
    wait_for(lambda: shows(machine, "envmon-wall", "NRestarts") != first, "a start anew", 60)
    machine.ok(f"rm {beside}/z.conf; {again}")
    return "tried again"
