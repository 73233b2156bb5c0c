"""The commands that bring a shop into the field; they stand beside those of ``cli.py``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

field_app = typer.Typer()

ShopFile = Annotated[Path, typer.Argument(metavar="SHOP.toml", help="The shop file.")]


@field_app.command()
def certificates(
    shop_file: ShopFile,
    host: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME", help="Name or address it is reached by; several times."),
    ] = None,
    days: Annotated[int, typer.Option(help="So long a new certificate holds.")] = 820,
    renew: Annotated[  # noqa: FBT002 - a command-line flag
        bool, typer.Option("--renew", help="Make a new one even where the old one is good.")
    ] = False,
) -> None:
    """Make or renew the shop's own certificates, in the folder tls beside the shop file."""
    import socket

    from envmon.clock import SystemClock
    from envmon.field.authority import now_from_us
    from envmon.field.authority_files import FOLDER, Wish, ensure_certificates, own_hosts
    from envmon.shop.load import load_shop

    shop = load_shop(shop_file)
    hosts = (*own_hosts(socket.gethostname()), *(host or ()))
    wish = Wish(shop.shop.name, hosts, days, renew)
    now = now_from_us(SystemClock().now_us())
    outcome = ensure_certificates(shop_file.absolute().parent / FOLDER, wish, now)
    typer.echo("\n".join(outcome.lines))
