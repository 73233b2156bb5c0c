"""The commands that bring a shop into the field; they stand beside those of ``cli.py``."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

field_app = typer.Typer()

ShopFile = Annotated[Path, typer.Argument(metavar="SHOP.toml", help="The shop file.")]


@field_app.command()
def new(  # noqa: PLR0913, PLR0917 - a command's options
    shop_file: Annotated[
        Path, typer.Argument(metavar="SHOP.toml", help="File to write; it must not be there yet.")
    ] = Path("shop.toml"),
    name: Annotated[str | None, typer.Option(help="Name of the shop.")] = None,
    site: Annotated[str | None, typer.Option(help="Short name, as in topics.")] = None,
    timezone: Annotated[str | None, typer.Option(help="Such as Europe/Oslo.")] = None,
    units: Annotated[str | None, typer.Option(help="metric or us.")] = None,
    bay: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME[:VOLUME]", help="'North:180', '7400 ft3'; several times."),
    ] = None,
    heat: Annotated[str | None, typer.Option(help="What heats, such as propane.")] = None,
    broker: Annotated[str | None, typer.Option(help="embedded or mosquitto.")] = None,
    reach: Annotated[
        str | None, typer.Option(help="Name or address by which phones reach this machine.")
    ] = None,
    data: Annotated[str | None, typer.Option(help="Data folder.")] = None,
    yes: Annotated[  # noqa: FBT002 - a command-line flag
        bool, typer.Option("--yes", help="Ask nothing; take what is proposed for the rest.")
    ] = False,
) -> None:
    """Write a first shop file from a few answers; it passes check."""
    from envmon.field.first_shop import bays_from_options
    from envmon.field.first_shop_ask import Talk, machine_timezone, new_shop

    answers = {
        "name": name, "site": site, "timezone": timezone, "units": units,
        "bays": bays_from_options(bay or ()) or None, "heat": heat, "broker": broker, "data": data,
        "reach": reach,
    }  # fmt: skip
    given = {field: answer for field, answer in answers.items() if answer is not None}
    talk = None if yes else Talk(_ask, _say)
    typer.echo(new_shop(shop_file, given, machine_timezone(), talk))


def _say(line: str) -> None:
    import textwrap

    typer.echo(textwrap.fill(line, 79, break_long_words=False, break_on_hyphens=False))


def _ask(words: str, proposed: str) -> str:
    return str(typer.prompt(words, default=proposed, show_default=bool(proposed)))


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
    own = own_hosts(socket.gethostname())
    wish = Wish(shop.shop.name, (*shop.boards.names, *(host or ())), own, days, renew)
    now = now_from_us(SystemClock().now_us())
    outcome = ensure_certificates(shop_file.absolute().parent / FOLDER, wish, now)
    typer.echo("\n".join(outcome.lines))


@field_app.command()
def install(  # noqa: PLR0913, PLR0917 - a command's options
    shop_file: ShopFile,
    out: Annotated[Path, typer.Option(metavar="FOLDER", help="Folder to write the files to.")],
    host: Annotated[
        str, typer.Option(help="Name or address by which nodes reach this machine.")
    ] = "",
    node: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NAME=TOPIC", help="A node and where it speaks, as hall=fjord_lane/hall."
        ),
    ] = None,
    tls_port: Annotated[int, typer.Option(help="Port of the broker for the nodes.")] = 8883,
    keep: Annotated[int, typer.Option(help="So many backups are kept.")] = 14,
    user: Annotated[str, typer.Option(help="User that envmon runs as.")] = "envmon",
    root: Annotated[Path, typer.Option(help="For a trial: all places are below this.")] = Path("/"),
) -> None:
    """Write what a machine needs to run the shop by itself: broker, services, backup, wall.

    Files go into FOLDER only; the script put-in-place.sh there brings them to their places.
    """
    import socket

    from envmon.field.install import Wish
    from envmon.field.install import install as make
    from envmon.shop.load import load_shop

    shop = load_shop(shop_file)
    own = f"{socket.gethostname().partition('.')[0]}.local"
    reached = host or next(iter(shop.boards.names), own)
    wish = Wish(shop_file, out, reached, tuple(node or ()), tls_port, keep, root, user)
    typer.echo("\n".join(make(shop, wish)))


@field_app.command()
def points(
    shop_file: ShopFile,
    listen: Annotated[str, typer.Option(help="How long to listen, such as '5 min'.")] = "10 s",
    as_json: Annotated[  # noqa: FBT002 - a command-line flag
        bool, typer.Option("--json", help="One JSON document on stdout, SI units.")
    ] = False,
) -> None:
    """Say what talks on the broker, claimed and unclaimed, and what it seems to send."""
    from envmon.service.points.command import listen_seconds, points_document, points_lines

    document, shop = points_document(shop_file, listen_seconds(listen))
    if as_json:
        import json

        typer.echo(json.dumps(document, ensure_ascii=False))
    else:
        typer.echo("\n".join(points_lines(document, shop, shop_file)))


@field_app.command()
def claim(  # noqa: PLR0913, PLR0917 - a command's options
    shop_file: ShopFile,
    topic: Annotated[str, typer.Argument(help="Topic, as `envmon points` shows it.")],
    bay: Annotated[str | None, typer.Option(help="Its bay; without one it is outdoors.")] = None,
    point: Annotated[str, typer.Option(metavar="NAME", help="Name of the point.")] = "",
    take: Annotated[
        list[str] | None,
        typer.Option(
            "--as",
            metavar="QUANTITY=PLACE",
            help="air_temp_c=temp (SenML name), air_temp_c=/t (JSON); several times.",
        ),
    ] = None,
    unit: Annotated[
        list[str] | None,
        typer.Option(metavar="QUANTITY=UNIT", help="Unit where the payload says none."),
    ] = None,
    form: Annotated[str, typer.Option("--format", help="senml, json or number.")] = "",
    stale_after: Annotated[
        str, typer.Option(help="Older readings do not count, such as '10 min'.")
    ] = "",
    listen: Annotated[str, typer.Option(help="How long to wait for the topic.")] = "10 s",
    show: Annotated[  # noqa: FBT002 - a command-line flag
        bool, typer.Option("--show", help="Only show the lines; write nothing.")
    ] = False,
) -> None:
    """Claim a topic as a point: add it to the shop file, whose comments stay as they are."""
    from envmon.service.points.claim import Asked, claim_lines
    from envmon.service.points.command import listen_seconds

    asked = Asked(
        topic, bay, point, tuple(take or ()), tuple(unit or ()), form, stale_after,
        listen_seconds(listen),
    )  # fmt: skip
    typer.echo("\n".join(claim_lines(shop_file, asked, write=not show)))
