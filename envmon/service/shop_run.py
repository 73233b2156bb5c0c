"""``envmon run``: the processes of a real shop."""

from __future__ import annotations

from typing import TYPE_CHECKING

from envmon.service.broker import ensure_port_free
from envmon.service.people.door import boards_address, ensure_shut
from envmon.service.points.taking_in import TakingIn
from envmon.service.supervisor import (
    Child,
    Supervisor,
    ensure_port_free_for_boards,
    module_argv,
)
from envmon.service.watch_process import READY_FILE, data_folder
from envmon.shop.load import load_shop
from envmon.systemd import asked_and_forgotten

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from envmon.shop.models import Shop


def children_of(
    shop: Shop, shop_path: Path, folder: Path, clock_text: str | None, *, demo: bool = False
) -> list[Child]:
    """Return the processes of a shop in the order of starting.

    Args:
        shop: The shop file, checked.
        shop_path: Where it is.
        folder: Data folder.
        clock_text: A scaled clock for all of them; None is the machine's time.
        demo: Whether the boards offer the demo's page.
    """
    clock = [] if clock_text is None else ["--clock", clock_text]
    children = []
    if shop.broker.kind == "embedded":
        argv = module_argv("envmon.service.embedded_broker", "--port", shop.broker.port)
        children.append(Child("the embedded broker", argv, port=shop.broker.port))
    watch = ["envmon.service.watch_process", shop_path, "--data", folder, *clock]
    argv = module_argv(str(watch[0]), *watch[1:])
    children.append(Child("the watch", argv, ready_file=folder / READY_FILE, beats=True))
    first = len(children) - 1
    keeper = module_argv(
        "envmon.service.keeping.keeper_process", shop_path, "--data", folder, *clock
    )
    children.append(Child("the keeper of the archive", keeper, spare=True))
    if shop.contact:
        argv = module_argv("envmon.service.notice.process", shop_path, "--data", folder, *clock)
        children.append(Child("the messages to people", argv, spare=True))
    outlook = module_argv("envmon.service.outlook.process", shop_path, "--data", folder, *clock)
    children.append(Child("the outlook", outlook, spare=True, beats=True))
    boards = [shop_path, "--data", folder, "--port", shop.shop.boards_port, *clock]
    extra = ["--demo"] if demo else []
    argv = module_argv("envmon_boards", *boards, *extra)
    encrypted = shop.boards.certificate is not None
    port = shop.shop.boards_port
    children.append(Child("the boards", argv, port=port, answers=True, encrypted=encrypted))
    for child in children[first:]:
        child.reads_shop = True
    return children


def run_shop(shop_path: Path, say: Callable[[str], None]) -> int:
    """Run a shop until SIGTERM or Ctrl-C; return the exit code.

    Raises:
        EnvmonError: The shop file has faults, or a process cannot start.
    """
    shop = load_shop(shop_path)
    ensure_shut(shop, shop_path)
    ensure_port_free_for_boards(shop.shop.boards_port, "another boards_port in [shop]")
    if shop.broker.kind == "embedded":
        ensure_port_free(shop.broker.host, shop.broker.port)
    folder = data_folder(shop, shop_path)
    children = children_of(shop, shop_path, folder, None)
    taking_in = TakingIn(shop, shop_path, folder, say)
    return Supervisor(children, say, asked_and_forgotten(), taking_in.due).run(
        f"envmon watches {shop.shop.name}: look at {boards_address(shop)}"
    )
