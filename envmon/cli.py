"""The ``envmon`` command. Heavy parts are imported by the command that needs them.

Exit codes: 0 done, 1 ran and the answer is no, 2 bad input or use.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated, Literal, NoReturn

import typer

from envmon.cli_field import field_app
from envmon.cli_mix import mix_app
from envmon.cli_people import people

app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    help="Keeps the air of a vehicle surface-care bay right for each step of the work.",
)
app.add_typer(mix_app, name="mix")
app.command()(people)
app.add_typer(field_app)

ShopFile = Annotated[Path, typer.Argument(metavar="SHOP.toml", help="The shop file.")]
AsJson = Annotated[bool, typer.Option("--json", help="One JSON document on stdout, SI units.")]


def _say(line: str) -> None:
    typer.echo(line, err=True)


def _fail(lines: list[str]) -> NoReturn:
    for line in lines:
        _say(line)
    raise typer.Exit(2)


@app.command()
def demo(
    speed: Annotated[float, typer.Option(help="Simulated seconds per real second.")] = 60.0,
    port: Annotated[int, typer.Option(help="Port of the screens.")] = 8050,
    hours: Annotated[float | None, typer.Option(help="End after so many simulated hours.")] = None,
    data: Annotated[Path | None, typer.Option(help="Keep the data in this folder.")] = None,
    begin: Annotated[
        str | None, typer.Option("--from", metavar="HH:MM", help="Begin at this time of the day.")
    ] = None,
    by_hand: Annotated[  # noqa: FBT002 - a command-line flag
        bool, typer.Option("--by-hand", help="Nobody works in the bays but you, at the bench.")
    ] = False,
) -> None:
    """Show a simulated winter day in a two-bay shop, over a real MQTT broker."""
    from envmon.service.demo import DemoOptions, run_demo

    raise typer.Exit(run_demo(DemoOptions(speed, port, hours, data, begin, by_hand), _say))


@app.command()
def run(shop_file: ShopFile) -> None:
    """Watch a shop: broker if embedded, watch and boards, until stopped."""
    from envmon.service.shop_run import run_shop

    raise typer.Exit(run_shop(shop_file, _say))


@app.command()
def check(shop_file: ShopFile) -> None:
    """Read a shop file and name every fault with its place and what is allowed."""
    from envmon.clock import SystemClock
    from envmon.service.people.certificate import certificate_words
    from envmon.service.people.door import ensure_shut
    from envmon.service.span import local_from_us
    from envmon.shop.load import ensure_dated, load_shop

    shop, now_us = load_shop(shop_file), SystemClock().now_us()
    ensure_dated(shop_file, local_from_us(now_us, shop.shop.timezone).date())
    ensure_shut(shop, shop_file)
    for words in certificate_words(shop, shop_file, now_us):
        _say(f"{shop_file}: {words}")
    parts = [(len(shop.bay), "bay"), (len(shop.point), "point"), (len(shop.product), "product")]
    counted = ", ".join(f"{n} {word}{'' if n == 1 else 's'}" for n, word in parts)
    typer.echo(f"{shop_file}: no faults; {shop.shop.name}: {counted}")


@app.command()
def schema() -> None:
    """Print the JSON Schema of the shop file, for editors."""
    import json

    from envmon.shop.schema import shop_schema

    typer.echo(json.dumps(shop_schema(), indent=2, ensure_ascii=False))


@app.command()
def air(
    temp: Annotated[float, typer.Option(help="Air temperature [°C, or °F with --units us].")],
    rh: Annotated[float, typer.Option(help="Relative humidity over liquid water [%].")],
    panel: Annotated[float | None, typer.Option(help="Panel temperature [°C or °F].")] = None,
    altitude: Annotated[float, typer.Option(help="Height above sea level [m, or ft].")] = 0.0,
    units: Annotated[Literal["metric", "us"], typer.Option(help="Units in and out.")] = "metric",
    as_json: AsJson = False,  # noqa: FBT002 - a command-line flag
) -> None:
    """Work out dew point, frost point, wet bulb and what a panel does in this air."""
    from envmon.sums.air_report import AirQuestion, air_json, air_lines

    question = AirQuestion.from_units(temp, rh, panel, altitude, units)
    if as_json:
        typer.echo(air_json(question))
    else:
        typer.echo("\n".join(air_lines(question, units)))


@app.command()
def vapour(  # noqa: PLR0913, PLR0917 - a command's options
    amount: Annotated[str, typer.Argument(help="Product used: '60 ml', '2 fl oz', '50 g'.")],
    over: Annotated[str, typer.Option(help="How long spreading it takes: '20 min'.")],
    volume: Annotated[str, typer.Option(help="Air volume of the bay [m³, or ft³].")],
    ventilation: Annotated[
        str, typer.Option("--air", help="Air changes an hour, or '600 m3/h', '350 cfm'.")
    ],
    carrier: Annotated[str, typer.Option(help="Solvent.")] = "2-propanol",
    share: Annotated[str, typer.Option(help="Share of it in the product.")] = "100 %",
    mixing: Annotated[str, typer.Option(help="Mixing factor: 1 mixes fully, 10 hardly.")] = "3",
    temp: Annotated[str, typer.Option(help="Air temperature of the bay; 20 °C without.")] = "",
    outdoor: Annotated[str, typer.Option(help="Outdoor temperature, for the heat.")] = "",
    altitude: Annotated[str, typer.Option(help="Height above sea level [m, or ft].")] = "0",
    units: Annotated[Literal["metric", "us"], typer.Option(help="Units in and out.")] = "metric",
    as_json: AsJson = False,  # noqa: FBT002 - a command-line flag
) -> None:
    """Estimate solvent vapour against published limits; exit 1 when it is over one.

    A planning aid, no gas detector.
    """
    from envmon.sums.vapour_question import VapourQuestion
    from envmon.sums.vapour_report import answer_of, vapour_json
    from envmon.sums.vapour_texts import text_lines

    question = VapourQuestion(
        carrier, amount, share, over, volume, ventilation, mixing, temp, outdoor, altitude
    )
    answer = answer_of(question.work(units))
    typer.echo(vapour_json(answer) if as_json else "\n".join(text_lines(answer, units)))
    raise typer.Exit(1 if answer.over else 0)


@app.command()
def now(shop_file: ShopFile, as_json: AsJson = False) -> None:  # noqa: FBT002 - a command-line flag
    """Show conditions and the fitness of every stage in every bay."""
    from envmon.service.now import now_json, print_now, shop_now

    standing = shop_now(shop_file)
    if as_json:
        typer.echo(now_json(standing))
    else:
        print_now(standing)


@app.command()
def outlook(
    shop_file: ShopFile,
    bay: Annotated[str | None, typer.Option(help="Only this bay.")] = None,
    as_json: AsJson = False,  # noqa: FBT002 - a command-line flag
) -> None:
    """Show when each stage will be fit and how long it stays so, and what was learned."""
    from envmon.service.outlook.command import outlook_json, outlook_lines, shop_outlook

    report = shop_outlook(shop_file, bay)
    typer.echo(outlook_json(report) if as_json else "\n".join(outlook_lines(report)))


DataFolder = Annotated[
    Path | None, typer.Option("--data", help="Data folder instead of the shop file's.")
]


@app.command()
def alarms(
    shop_file: ShopFile,
    days: Annotated[float, typer.Option(help="Figures of so many days.")] = 30.0,
    as_json: AsJson = False,  # noqa: FBT002 - a command-line flag
    data: DataFolder = None,
) -> None:
    """Show which alarms stand and how the shop's alarms behave, beside ISA-18.2."""
    from envmon.service.alarm_report import alarm_report, print_report, report_json

    report = alarm_report(shop_file, days, str(data) if data else None)
    if as_json:
        typer.echo(report_json(report))
    else:
        print_report(report)


@app.command("import")
def import_history(
    shop_file: ShopFile,
    file: Annotated[Path, typer.Argument(metavar="FILE", help="CSV, CSV with gzip, or Parquet.")],
    data: DataFolder = None,
    any_point: Annotated[  # noqa: FBT002 - a command-line flag
        bool, typer.Option("--any-point", help="Take points the shop file does not have too.")
    ] = False,
) -> None:
    """Bring history in from a file; what is there already is passed over."""
    from envmon.clock import SystemClock
    from envmon.service.keeping.importing import ImportJob, import_and_say

    job = ImportJob(shop_file, file, str(data) if data else None, any_point)
    raise typer.Exit(import_and_say(job, SystemClock(), _say))


@app.command()
def export(  # noqa: PLR0913, PLR0917 - a command's options
    shop_file: ShopFile,
    since: Annotated[str, typer.Option("--from", help="Date or time it starts at.")],
    until: Annotated[str, typer.Option("--to", help="Date or time it ends before.")],
    form: Annotated[Literal["csv", "parquet"], typer.Option("--format")] = "csv",
    out: Annotated[
        Path | None, typer.Option(help="File to write; CSV without one: stdout.")
    ] = None,
    points: Annotated[str, typer.Option(help="Only these points, joined by commas.")] = "",
    quantities: Annotated[str, typer.Option(help="Only these quantities.")] = "",
    force: Annotated[  # noqa: FBT002 - a command-line flag
        bool, typer.Option("--force", help="Replace a file that is there.")
    ] = False,
    data: DataFolder = None,
) -> None:
    """Write what is kept of a span as CSV or Parquet."""
    from envmon.service.keeping.exporting import ExportJob, export

    job = ExportJob(
        shop_file,
        since,
        until,
        form,
        out,
        str(data) if data else None,
        [part.strip() for part in points.split(",") if part.strip()],
        [part.strip() for part in quantities.split(",") if part.strip()],
        force,
    )
    raise typer.Exit(export(job, _say))


@app.command()
def backup(
    shop_file: ShopFile,
    out: Annotated[Path, typer.Option(help="Folder to make; it must not be there yet.")],
    data: DataFolder = None,
) -> None:
    """Make a consistent copy of the data folder, also while the shop is watched."""
    from envmon.service.keeping.backup import make_backup

    make_backup(shop_file, out, str(data) if data else None, _say)


@app.command()
def replay(  # noqa: PLR0913, PLR0917 - a command's options
    shop_file: ShopFile,
    since: Annotated[str, typer.Option("--from", help="Date or time it starts at.")],
    until: Annotated[str, typer.Option("--to", help="Date or time it ends before.")],
    limits: Annotated[
        Path | None, typer.Option(metavar="OTHER.toml", help="A shop file with other limits.")
    ] = None,
    stage: Annotated[
        list[str] | None, typer.Option(help="Only this stage; may be given several times.")
    ] = None,
    as_json: AsJson = False,  # noqa: FBT002 - a command-line flag
    out: Annotated[
        Path | None, typer.Option(metavar="FILE.html", help="Write a page with the chart.")
    ] = None,
    data: DataFolder = None,
) -> None:
    """Run the guards over stored history: alarms, and when each stage was fit."""
    from envmon.service.replay.command import Question
    from envmon.service.replay.say import replay_and_say

    question = Question(
        shop_file, since, until, limits, tuple(stage or ()), str(data) if data else None
    )
    raise typer.Exit(replay_and_say(question, _say, as_json=as_json, out=out))


@app.command()
def calibrate(  # noqa: PLR0913, PLR0917 - a command's options
    shop_file: ShopFile,
    point: Annotated[str, typer.Argument(help="Id of the point; without it: a table.")] = "",
    quantity: Annotated[str, typer.Argument(help="Quantity, such as rel_hum_pct.")] = "",
    pair: Annotated[
        list[str] | None,
        typer.Option(metavar="SHOWN=TRUE", help="What envmon shows and what is true; up to two."),
    ] = None,
    salt: Annotated[
        list[str] | None,
        typer.Option(metavar="SALT=SHOWN", help="What envmon shows over LiCl, MgCl2, NaCl ..."),
    ] = None,
    temp: Annotated[str, typer.Option(help="Temperature of the jar [°C, or '70 °F'].")] = "",
    read_at: Annotated[str, typer.Option(help="When it was read; now without it.")] = "",
    accept: Annotated[  # noqa: FBT002 - a command-line flag
        bool, typer.Option("--accept", help="Keep it, from now on.")
    ] = False,
    by: Annotated[str, typer.Option(help="Who accepts it.")] = "",
    reference: Annotated[str, typer.Option(help="What it was held to.")] = "",
    due: Annotated[str, typer.Option(help="Date of the next check.")] = "",
    due_in: Annotated[str, typer.Option(help="Or the time to it, such as '180 d'.")] = "",
    as_json: AsJson = False,  # noqa: FBT002 - a command-line flag
    data: DataFolder = None,
) -> None:
    """Show how sensors are calibrated; show what a new calibration would do, then accept it."""
    from envmon.clock import SystemClock
    from envmon.service.calibration.check import check_from_options
    from envmon.service.calibration.command import Wish, calibrate

    texts = (temp, read_at, reference, by, due, due_in)
    check = check_from_options((point, quantity), (*(pair or ()),), (*(salt or ()),), texts)
    wish = Wish(shop_file, str(data) if data else None, check, accept, as_json)
    raise typer.Exit(calibrate(wish, SystemClock(), _say))


@app.command()
def record(
    shop_file: ShopFile,
    job: Annotated[str, typer.Argument(help="Id of the job, such as 260127-1.")],
    out: Annotated[Path, typer.Option(help="File to write: .pdf, .html or .json.")],
    force: Annotated[  # noqa: FBT002 - a command-line flag
        bool, typer.Option("--force", help="Replace a file that is there.")
    ] = False,
    data: DataFolder = None,
) -> None:
    """Write the condition record of a job."""
    from envmon.clock import SystemClock
    from envmon.service.record.make import Wish, record

    wish = Wish(shop_file, job, out, str(data) if data else None, force)
    raise typer.Exit(record(wish, SystemClock(), _say))


@app.command()
def verify(
    file: Annotated[Path, typer.Argument(metavar="FILE.json", help="A condition record.")],
    shop: Annotated[
        Path | None, typer.Option(metavar="SHOP.toml", help="Also hold it to the shop's chain.")
    ] = None,
    as_json: AsJson = False,  # noqa: FBT002 - a command-line flag
    data: DataFolder = None,
) -> None:
    """Prove that nothing in a condition record was changed."""
    from envmon.service.record.verify_command import verify_and_say

    raise typer.Exit(verify_and_say(file, shop, str(data) if data else None, as_json=as_json))


@app.command()
def jobs(shop_file: ShopFile, as_json: AsJson = False, data: DataFolder = None) -> None:  # noqa: FBT002 - a command-line flag
    """List the jobs, with how their cure went."""
    from envmon.clock import SystemClock
    from envmon.service.job.listing import list_jobs

    folder = str(data) if data else None
    raise typer.Exit(list_jobs(shop_file, folder, SystemClock(), as_json=as_json))


@app.command()
def heating(  # noqa: PLR0913, PLR0917 - a command's options
    shop_file: ShopFile,
    since: Annotated[str, typer.Option("--from", help="First day; this winter's without it.")] = "",
    until: Annotated[str, typer.Option("--to", help="Day it ends before; tomorrow.")] = "",
    out: Annotated[
        Path | None, typer.Option(help="File to write: .pdf, .csv, .html or .json.")
    ] = None,
    force: Annotated[  # noqa: FBT002 - a command-line flag
        bool, typer.Option("--force", help="Replace a file that is there.")
    ] = False,
    as_json: AsJson = False,  # noqa: FBT002 - a command-line flag
    data: DataFolder = None,
) -> None:
    """Show what the heat did and cost, day by day, and how it compares with the winter before.

    Exit 1 when nothing at all is kept of these days.
    """
    from envmon.clock import SystemClock
    from envmon.service.heating.say import HeatWish, heating

    wish = HeatWish(shop_file, since, until, out, str(data) if data else None, force, as_json)
    raise typer.Exit(heating(wish, SystemClock(), _say))


@app.command()
def bills(
    shop_file: ShopFile,
    file: Annotated[
        Path | None, typer.Argument(metavar="FILE.csv", help="Bills; without it: what is kept.")
    ] = None,
    data: DataFolder = None,
) -> None:
    """Bring in bills for heat: from, to (or month), amount with unit, cost; or list them.

    A bill that is there is passed over; one for the same days with other figures replaces it.
    """
    from envmon.clock import SystemClock
    from envmon.service.heating.bills import BillsWish, import_bills

    wish = BillsWish(shop_file, file, str(data) if data else None)
    raise typer.Exit(import_bills(wish, SystemClock(), typer.echo))


@app.command()
def notice(
    shop_file: ShopFile,
    what: Annotated[
        Literal["test", "outbox"],
        typer.Argument(help="test: try every channel; outbox: what waits, went out, was given up."),
    ],
    contact: Annotated[str | None, typer.Option(help="test: only this contact.")] = None,
    data: DataFolder = None,
) -> None:
    """Send a test message to the people to be told, or show the messages to them."""
    from envmon.service.notice.command import show_outbox, try_channels

    if what == "test":
        raise typer.Exit(try_channels(shop_file, contact, typer.echo))
    raise typer.Exit(show_outbox(shop_file, str(data) if data else None, typer.echo))


def main() -> None:
    """Run the command; errors on purpose become one clear message and exit code 2."""
    from envmon.errors import EnvmonError, ShopFileError

    try:
        app()
    except ShopFileError as error:
        from envmon.shop.load import fault_lines

        _say("\n".join(fault_lines(error)))
        _say(str(error))
        sys.exit(2)
    except EnvmonError as error:
        _say(f"envmon: {error}")
        sys.exit(2)


if __name__ == "__main__":
    main()
