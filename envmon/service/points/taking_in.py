"""A changed shop file taken in while the shop runs: asked for by a claim, done by the supervisor.

The request is a file in the data folder. What runs is only started anew when the shop file as it
is now passes its check; until then, and otherwise, everything goes on with the old one.
"""

from __future__ import annotations

import contextlib
import time
from typing import TYPE_CHECKING

from envmon.errors import EnvmonError, ShopFileError
from envmon.service.people.door import ensure_shut
from envmon.service.watch_process import account_from
from envmon.shop.load import fault_lines, load_shop

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from envmon.shop.models import Shop

REQUEST_FILE = "shop.changed"
REFUSED_FILE = "shop.refused"
"""Says why the changed shop file was not taken in; gone when one was."""
LOOK_S = 0.5
APART_S = 20.0
"""So far apart are two new starts: while the watch starts no alarm can rise, and of several points
claimed in a row the later ones are taken in together."""
_LONGEST_WHY = 2_000


def ask_to_take_in(folder: Path) -> bool:
    """Ask the running shop to take in its shop file; return whether it could be asked.

    Args:
        folder: Data folder.
    """
    try:
        (folder / REQUEST_FILE).touch()
    except OSError:
        return False
    return True


def why_refused(folder: Path) -> str:
    """Return why the changed shop file does not count yet; empty when nothing was refused."""
    try:
        return (folder / REFUSED_FILE).read_text(encoding="utf-8")[:_LONGEST_WHY]
    except (OSError, UnicodeDecodeError):
        return ""


class TakingIn:
    """Looks for requests, and says whether what runs shall be started anew.

    Args:
        shop: The shop file that runs.
        shop_path: Where it is.
        folder: Data folder.
        say: Called with each line meant for the person.
    """

    def __init__(
        self, shop: Shop, shop_path: Path, folder: Path, say: Callable[[str], None]
    ) -> None:
        self._shop, self._shop_path, self._say = shop, shop_path, say
        self._request, self._refused = folder / REQUEST_FILE, folder / REFUSED_FILE
        with contextlib.suppress(OSError):
            self._refused.unlink()  # this run begins with the file as it is
        self._next_s = 0.0

    def due(self) -> bool:
        """Return whether somebody asked and the shop file is fit for it; cheap otherwise."""
        now_s = time.monotonic()
        if now_s < self._next_s:
            return False
        self._next_s = now_s + LOOK_S
        try:
            self._request.unlink()
        except OSError:
            return False
        fit = self._is_fit()
        if fit:
            self._next_s = now_s + APART_S
        return fit

    def _is_fit(self) -> bool:
        try:
            shop = load_shop(self._shop_path)
            ensure_shut(shop, self._shop_path)
            account_from(shop.broker, self._shop_path)
        except ShopFileError as error:
            return self._refuse("\n".join(fault_lines(error)))
        except EnvmonError as error:
            return self._refuse(str(error))
        if _needs_new_start(self._shop) != _needs_new_start(shop):
            return self._refuse(
                "broker, data folder, screens or contacts changed, too; stop envmon and start it"
            )
        with contextlib.suppress(OSError):
            self._refused.unlink()
        if shop == self._shop:
            return False  # asked before this run began
        self._shop = shop
        self._say("the shop file has changed and is taken in")
        return True

    def _refuse(self, why: str) -> bool:
        said = f"the changed shop file is NOT taken in, the old one goes on: {why}"
        self._say(said)
        with contextlib.suppress(OSError):
            self._refused.write_text(said, encoding="utf-8")
        return False


def _needs_new_start(shop: Shop) -> tuple[object, ...]:
    """Return what decides which processes there are and where they listen."""
    return (
        shop.broker, shop.store.folder, shop.boards, shop.shop.boards_host, shop.shop.boards_port,
        bool(shop.contact), shop.shop.site,
    )  # fmt: skip
