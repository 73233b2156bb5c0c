"""``envmon people``: who may log in at the screens."""

from __future__ import annotations

from pathlib import Path  # noqa: TC003 - typer reads it
from typing import Annotated, Literal

import typer


def people(
    shop_file: Annotated[Path, typer.Argument(metavar="SHOP.toml", help="The shop file.")],
    act: Annotated[
        Literal["list", "add", "role", "secret", "remove"],
        typer.Argument(help="secret: a new PIN or password."),
    ] = "list",
    name: Annotated[str, typer.Argument(help="Name of the person.")] = "",
    role: Annotated[str, typer.Option(help="look, work (jobs, alarms) or manage (all).")] = "",
) -> None:
    """List or change who may log in at the screens; PIN or password is asked for, or read."""
    from envmon.service.people.command import PeopleWish, change_people

    raise typer.Exit(change_people(PeopleWish(shop_file, act, name, role), typer.echo))
