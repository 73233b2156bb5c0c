"""``envmon import``, ``export`` and ``backup`` as commands: what they say and how they end."""

from __future__ import annotations

import signal
import subprocess
import sys
from functools import partial
from typing import TYPE_CHECKING

import pytest

from envmon.service.keeping import importing
from envmon.store import bulk
from tests.mosquitto_support import wait_until
from tests.transfer_support import HEADER, Bench

if TYPE_CHECKING:
    from pathlib import Path

    from envmon.store.bulk import Rows

ROW = "2026-01-27T08:00:00Z,air-a,air_temp_c"


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


def argv(name: str, bench: Bench, *rest: object) -> list[str]:
    words = [name, bench.shop, *rest, "--data", bench.data]
    return [sys.executable, "-m", "envmon.cli", *map(str, words)]


def ran(name: str, bench: Bench, *rest: object) -> tuple[int, str, str]:
    command = argv(name, bench, *rest)
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)
    return done.returncode, done.stdout, done.stderr


def test_import_ends_with_what_came_of_it(bench: Bench) -> None:
    file = bench.file(f"{HEADER}\n{ROW},20.5\n{ROW},warm\n")
    code, out, said = ran("import", bench, file)
    assert (code, out) == (0, "")
    assert "imported 1 new, 0 already there, 1 rejected (see " in said
    code, _, said = ran("import", bench, bench.file(f"{HEADER}\n{ROW},warm\n"))
    assert code == 1
    assert "1 × value is no finite number such as 21.5 (line 2)" in said
    code, _, said = ran("import", bench, bench.folder / "missing.csv")
    assert code == 2
    assert said.startswith("envmon: cannot read ")


def test_export_and_backup_end_with_what_came_of_it(bench: Bench) -> None:
    span = ("--from", "2026-01-27", "--to", "2026-01-28")
    code, _, said = ran("export", bench, *span)
    assert code == 2
    assert said.startswith("envmon: no data in ")
    assert ran("backup", bench, "--out", bench.folder / "copy")[0] == 2
    ran("import", bench, bench.file(f"{HEADER}\n{ROW},20.5\n"))
    code, out, said = ran("export", bench, *span)
    assert (code, said) == (0, "")
    assert out.splitlines()[1].startswith("2026-01-27T08:00:00.000000Z,air-a,air_temp_c,20.5,°C,,")
    assert ran("export", bench, "--from", "2020-01-01", "--to", "2020-01-02")[0] == 1
    assert ran("export", bench, "--from", "soon", "--to", "2020-01-02")[0] == 2
    code, out, said = ran("backup", bench, "--out", bench.folder / "copy")
    assert (code, out) == (0, "")
    assert "1 readings" in said
    assert ran("backup", bench, "--out", bench.folder / "copy")[0] == 2


def test_ctrl_c_keeps_what_was_committed_and_says_so(bench: Bench) -> None:
    stamps = (f"2026-01-27T{n // 3600:02d}:{n // 60 % 60:02d}:{n % 60:02d}" for n in range(80_000))
    rows = [f"{t}.{n:02d}Z,air-a,air_temp_c,{n / 8}" for t in stamps for n in range(10)]
    file = bench.file("\n".join([HEADER, *rows]))
    bench.watched()  # slower, so that it is not through before the signal comes
    command = argv("import", bench, file)
    heed = partial(signal.signal, signal.SIGINT, signal.SIG_DFL)  # background jobs ignore it
    with subprocess.Popen(command, stderr=subprocess.PIPE, text=True, preexec_fn=heed) as process:  # noqa: PLW1509
        wait_until(lambda: bench.count() > 0, "the first rows", 60)
        process.send_signal(signal.SIGINT)
        _, said = process.communicate(timeout=60)
    assert process.returncode == 1, said
    assert "stopped; what was imported stays, and a second run passes over it" in said
    new = int(said.split(" new,")[0].removeprefix("imported ").replace(" ", ""))
    assert 0 < bench.count() == new < len(rows)


def test_beside_a_watch_transactions_are_short(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    sizes: list[int] = []

    def noted(store: object, names: object, rows: Rows) -> int:
        sizes.append(len(rows.t_us))
        return bulk.add_rows(store, names, rows)  # type: ignore[arg-type]

    monkeypatch.setattr("envmon.service.keeping.importing.add_rows", noted)
    bench.watched()
    times = [f"2026-01-27T08:{n // 60 % 60:02d}:{n % 60:02d}.{n // 3600}Z" for n in range(5_000)]
    bench.rows(*[f"{t},air-a,air_temp_c,20" for t in times])
    assert sizes == [importing.ROWS_BESIDE, importing.ROWS_BESIDE, 1_000]
