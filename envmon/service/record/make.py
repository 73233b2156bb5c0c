"""The condition record of a job: made from the chain and the stored readings, and handed out.

A record is a JSON document; page and PDF are drawn from it, so that all three say the same and
have the same digest. That of a closed job is kept in the data folder without the vehicle's
reference, and taken again as long as nothing new happened. Each form handed out is entered in the
chain by the watch (``record_made``), which is asked once for each.
"""

from __future__ import annotations

from contextlib import closing
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

from envmon.errors import InputError
from envmon.facts import CALIBRATION_ACCEPTED
from envmon.guard.plan import plan_from_shop
from envmon.intake.calibrations import Calibrations
from envmon.job import events as names
from envmon.job.record_measured import measured, quantities_of
from envmon.job.record_numbers import iso_us
from envmon.job.record_page import page
from envmon.job.record_series import Scene, Source
from envmon.job.record_told import Scenery, told, until_us
from envmon.physics.air import STANDARD_PRESSURE_PA
from envmon.service.calibration.table import calibration_rows, row_document
from envmon.service.job.book import judged_until_us
from envmon.service.record.chain import chain_document, history_of, job_from
from envmon.service.record.files import keep_record, kept_record, write_whole
from envmon.service.record.pdf import pdf_from
from envmon.service.record.proof import KIND, VERSION, sealed, text_of
from envmon.service.record.readings import heard
from envmon.service.span import local_from_us
from envmon.service.watch_process import data_folder, ensure_data
from envmon.shop.load import load_shop
from envmon.store.past import Past
from envmon.store.sqlite import SqliteStore

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

    from envmon.clock import Clock
    from envmon.job.model import Job
    from envmon.service.record.chain import History
    from envmon.shop.models import Shop

Form = Literal["json", "html", "pdf"]
FORMS: dict[str, Form] = {".json": "json", ".html": "html", ".pdf": "pdf"}


def is_job(store: SqliteStore, job_id: str) -> bool:
    """Return whether a job of that id was ever opened."""
    return _happened(store, names.OPENED, job_id)


def _happened(store: SqliteStore, kind: str, job_id: str) -> bool:
    return any(event.data.get("job") == job_id for event in store.events_of(kind))


class RecordDesk(NamedTuple):
    """A shop's records, opened.

    Attributes:
        shop: The shop file.
        store: The live store; stays the caller's.
        folder: Data folder.
        now_us: Time as of which records are made [µs]: up to when the watch has judged.
    """

    shop: Shop
    store: SqliteStore
    folder: Path
    now_us: int

    def handed_out(self, job_id: str, form: Form) -> bytes:
        """Return a record in a form, and see that it is entered in the chain.

        Raises:
            InputError: There is no such job.
            StoreError: The store cannot be read or written.
        """
        history = history_of(self.store, job_id)
        document = self._kept(history, job_id) or self._made(history, job_id)
        self._enter(document, history, form)
        whole = {**document, "reference": self._reference(job_id)}
        if form == "json":
            return text_of(whole).encode()
        html = page(whole)
        return html.encode() if form == "html" else pdf_from(html)

    def _kept(self, history: History, job_id: str) -> dict[str, Any] | None:
        """Return the record made before, if it still says all there is to say."""
        kept = kept_record(self.folder, job_id, history.version)
        asked = {digest for digest, _ in self._asked(history, job_id)}
        return kept if kept is not None and kept["digest"] in asked else None

    def _made(self, history: History, job_id: str) -> dict[str, Any]:
        job = job_from(history.events, job_id)
        assert job is not None
        document = sealed(document_of(self, history, job))
        if not document["open"]:
            keep_record(self.folder, document)
        return document

    def _asked(self, history: History, job_id: str) -> set[tuple[str, str]]:
        """Return digest and form of every record entered, or asked to be."""
        said = [e.data for e in history.events if e.kind == names.RECORD_MADE]
        said += [
            request.data
            for request in self.store.requests()
            if request.kind == names.JOB_ACT
            and (request.data.get("act"), request.data.get("job")) == ("record", job_id)
        ]
        return {(str(data.get("digest")), str(data.get("form"))) for data in said}

    def _enter(self, document: Mapping[str, Any], history: History, form: Form) -> None:
        job_id, digest = document["job"]["id"], document["digest"]
        if (digest, form) in self._asked(history, job_id):
            return
        act = {"act": "record", "job": job_id, "digest": digest, "form": form}
        self.store.ask(names.JOB_ACT, document["job"]["bay"], act, self.now_us)

    def _reference(self, job_id: str) -> dict[str, str] | None:
        kept = self.store.reference(job_id)
        return None if kept is None else {"text": kept.text, "salt": kept.salt}


def document_of(desk: RecordDesk, history: History, job: Job) -> dict[str, Any]:
    """Return everything a record says, without its digests.

    Args:
        desk: The shop's records.
        history: What the chain says of the job.
        job: The job, folded from it.
    """
    shop, made_us = desk.shop, desk.now_us
    until = until_us(job, made_us)
    scene, taken_in_us = scene_of(desk, job, until)
    return {
        "record": KIND,
        "version": VERSION,
        "made": iso_us(made_us),
        "open": job.closed_us is None,
        "version_seq": history.version,
        "shop": {
            "name": shop.shop.name, "site": shop.shop.site, "timezone": shop.shop.timezone,
            "units": shop.shop.units, "bay_name": _bay_name(shop, job.bay),
        },
        **told(job, history.events, Scenery(made_us, shop.shop.timezone, shop.shop.units)),
        "measured": measured(job, scene, until, taken_in_us),
        "sensors": sensor_rows(desk, scene, until),
        "chain": chain_document(history),
    }  # fmt: skip


def _bay_name(shop: Shop, bay_id: str) -> str:
    return next((bay.name for bay in shop.bay if bay.id == bay_id), bay_id)


def scene_of(desk: RecordDesk, job: Job, until: int) -> tuple[Scene, int | None]:
    """Return where the conditions of a job's bay come from, and when the last was taken in.

    Args:
        desk: The shop's records.
        job: The job.
        until: Up to when it is told of [µs].
    """
    bay = plan_from_shop(desk.shop).bays.get(job.bay)
    needed = quantities_of(job)
    sources = {
        name: [Source(series.point, series.stale_us) for series in group]
        for name, group in (bay.sources.items() if bay else ())
        if name in needed
    }
    with closing(Past(desk.store, desk.folder)) as past:
        found = heard(past, sources, (job.opened_us, until))
    pressure = bay.pressure_pa if bay else STANDARD_PRESSURE_PA
    return Scene(sources, found.said, pressure), found.taken_in_us


def sensor_rows(desk: RecordDesk, scene: Scene, until: int) -> list[dict[str, Any]]:
    """Return the calibration of every sensor a record's numbers come from.

    Args:
        desk: The shop's records.
        scene: Which sensors these are.
        until: As it was then [µs].
    """
    events = [e for e in desk.store.events_of(CALIBRATION_ACCEPTED) if e.at_us <= until]
    calibrations = Calibrations.of_shop(desk.shop, events)
    used = {(source.point, name) for name, group in scene.sources.items() for source in group}
    today = local_from_us(until, desk.shop.shop.timezone).date()
    rows = calibration_rows(desk.shop, calibrations, desk.store.series(), today)
    return [row_document(row) for row in rows if (row.point, row.quantity) in used]


class Wish(NamedTuple):
    """What ``envmon record`` is asked for.

    Attributes:
        shop_path: The shop file.
        job: Id of the job.
        out: File to write; its ending says in which form.
        data: Data folder instead of the shop file's.
        force: Whether a file that is there is replaced.
    """

    shop_path: Path
    job: str
    out: Path
    data: str | None = None
    force: bool = False


def record(wish: Wish, clock: Clock, say: Callable[[str], None]) -> int:
    """Write the record of a job to a file; return 0.

    Raises:
        ShopFileError: The shop file has faults.
        InputError: There is no such job, or the file cannot be so named.
        StoreError: There is no data, or the disk fails.
    """
    form = _form_of(wish)
    shop = load_shop(wish.shop_path)
    folder = data_folder(shop, wish.shop_path, wish.data)
    ensure_data(folder, wish.shop_path)
    with closing(SqliteStore(folder)) as store:
        until_us = judged_until_us(store, clock.now_us())
        content = RecordDesk(shop, store, folder, until_us).handed_out(wish.job, form)
        closed = _happened(store, names.CLOSED, wish.job)
    write_whole(wish.out, content)
    say(f"{wish.out}: record of job {wish.job}{'' if closed else ', which is STILL OPEN'}")
    return 0


def _form_of(wish: Wish) -> Form:
    form = FORMS.get(wish.out.suffix.casefold())
    if form is None:
        raise InputError(f"--out is {wish.out}; allowed is a name in {', '.join(FORMS)}")
    if wish.out.is_dir() or not wish.out.parent.is_dir():
        raise InputError(f"--out is {wish.out}; give the name of a file in a folder that is there")
    if wish.out.exists() and not wish.force:
        raise InputError(f"{wish.out} is there already; --force replaces it")
    return form
