"""The commands below ``envmon mix``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal, NoReturn

import typer

if TYPE_CHECKING:
    from envmon.sums.mix_answer import MixAnswer

mix_app = typer.Typer(
    no_args_is_help=True,
    help="Mix concentrate and water, blend hot and cold water, tell when the resin is due.",
)

Units = Annotated[
    Literal["metric", "us"], typer.Option("--units", help="°C, ml, l; or °F, US fl oz, US gal.")
]
DataFolder = Annotated[
    Path | None, typer.Option("--data", help="Data folder instead of the shop file's.")
]
AsJson = Annotated[bool, typer.Option("--json", help="One JSON document on stdout, SI units.")]


def _tell(answer: MixAnswer, *, as_json: bool) -> NoReturn:
    typer.echo(answer.as_json() if as_json else "\n".join(answer.text_lines()))
    raise typer.Exit(0 if answer.possible else 1)


@mix_app.command()
def ratio(
    mix: Annotated[str, typer.Argument(metavar="[1:N]", help="Ratio 1:10, or share '2 %'.")] = "",
    total: Annotated[str, typer.Option(help="Both together, such as '1 l': a bottle.")] = "",
    water: Annotated[str, typer.Option(help="Water alone, such as '4 gal': a bucket.")] = "",
    concentrate: Annotated[str, typer.Option(help="Concentrate, such as '5 fl oz'.")] = "",
    units: Units = "metric",
    as_json: AsJson = False,  # noqa: FBT002 - a command-line flag
) -> None:
    """Ratio and share, and how much concentrate and water to pour."""
    from envmon.sums.mix_report import RatioQuestion

    answer = RatioQuestion(mix, total, water, concentrate).answer(units)
    _tell(answer, as_json=as_json)


@mix_app.command()
def pir(  # noqa: PLR0913, PLR0917 - a command's options
    aim: Annotated[str, typer.Argument(metavar="[AIM]", help="Share on the panel: '5 %'.")] = "",
    in_bottle: Annotated[str, typer.Option(help="Or what is in the bottle: 1:4.")] = "",
    lance: Annotated[str, typer.Option(help="Parts of passing water to one part drawn.")] = "",
    flow: Annotated[str, typer.Option(help="Or all that comes out of the lance.")] = "",
    draw: Annotated[str, typer.Option(help="And what it draws, in the same unit.")] = "",
    bottle: Annotated[str, typer.Option(help="Volume of the bottle, such as '1 l'.")] = "",
    units: Units = "metric",
    as_json: AsJson = False,  # noqa: FBT002 - a command-line flag
) -> None:
    """Panel impact ratio: what the bottle needs so that enough lands on the panel."""
    from envmon.sums.mix_report import ImpactQuestion

    answer = ImpactQuestion(aim, in_bottle, lance, flow, draw, bottle).answer(units)
    _tell(answer, as_json=as_json)


@mix_app.command()
def blend(  # noqa: PLR0913, PLR0917 - a command's options
    hot: Annotated[str, typer.Option(help="Temperature of the hot water.")],
    cold: Annotated[str, typer.Option(help="Temperature of the cold water.")],
    want: Annotated[str, typer.Option(help="Wanted temperature.")] = "",
    total: Annotated[str, typer.Option(help="Volume of the blend, such as '20 l'.")] = "",
    hot_amount: Annotated[str, typer.Option(help="Or the hot water there is.")] = "",
    cold_amount: Annotated[str, typer.Option(help="Or the cold water there is.")] = "",
    units: Units = "metric",
    as_json: AsJson = False,  # noqa: FBT002 - a command-line flag
) -> None:
    """How much hot and cold water make a wanted temperature, or how warm what is poured gets."""
    from envmon.sums.mix_blend import BlendQuestion

    answer = BlendQuestion(hot, cold, want, total, hot_amount, cold_amount).answer(units)
    _tell(answer, as_json=as_json)


@mix_app.command()
def resin(  # noqa: PLR0913, PLR0917 - a command's options
    shop_file: Annotated[
        Path | None, typer.Argument(metavar="[SHOP.toml]", help="The shop file.")
    ] = None,
    bay: Annotated[str, typer.Option(help="Id of the bay.")] = "",
    changed: Annotated[str, typer.Option(help="When the resin was changed; else looked for.")] = "",
    at: Annotated[str, typer.Option(help="As it stood then; else now.")] = "",
    daily: Annotated[str, typer.Option(help="Rinse water used a day, such as '200 l'.")] = "",
    noted: Annotated[
        list[str] | None,
        typer.Option(metavar="PLACE=PPM", help="Instead of a shop: '400 l=2.5', or a date=2.5."),
    ] = None,
    as_json: AsJson = False,  # noqa: FBT002 - a command-line flag
    data: DataFolder = None,
) -> None:
    """Rinse water now, and when the resin is due; exit code 1 when it is not good or not known."""
    from envmon.errors import InputError

    if noted:
        from datetime import UTC, datetime

        from envmon.sums.mix_resin import resin_noted

        if shop_file or bay or changed or at or daily or data:
            raise InputError("--noted stands alone; leave the shop file and its options out")
        today = datetime.now(UTC).astimezone().date()
        _tell(resin_noted(noted, today), as_json=as_json)
    if shop_file is None or not bay:
        raise InputError("give SHOP.toml and --bay, or what was noted by hand: --noted PLACE=PPM")
    from envmon.clock import SystemClock
    from envmon.service.water.resin import ResinQuestion, resin_of_shop
    from envmon.service.water.resin_say import resin_answer

    question, folder = ResinQuestion(bay, changed, at), str(data) if data else None
    found = resin_of_shop(shop_file, question, SystemClock(), folder)
    _tell(resin_answer(found, daily), as_json=as_json)
