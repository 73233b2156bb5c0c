"""Fuzzing, guided by coverage, of every door that bytes from outside come in by.

``python tests/acceptance/hostile_fuzz.py [SECONDS_A_DOOR] [DOOR ...]`` needs ``pip install
atheris`` (libFuzzer for Python; not among the test dependencies). Each door gets a process of its
own, seeds that it takes in, and so many seconds; at its end how many inputs it was given, how many
of them it took in, the longest time of the processor, and the memory after a tenth of them and at
the end. A fault leaves its input in the folder that is named.
"""

from __future__ import annotations

import importlib
import json
import os
import subprocess
import sys
import tempfile
import time
import traceback
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from tests.hostile_support import Door

ROOT = Path(__file__).resolve().parent.parent.parent
sys.path[:0] = [str(ROOT), str(ROOT / "dashboards"), str(ROOT / "sensors")]

GROWTH_MIB = 64.0
"""A door whose memory grew by more, after it had warmed up, keeps what it was given."""
HEAD = "door        inputs   a second    taken  slowest s   MiB warm   MiB end  faults"


class Count:
    """What came of the inputs of one door; written down as it goes on."""

    def __init__(self, name: str, seconds: float, folder: Path) -> None:
        self._name, self._seconds, self._folder = name, seconds, folder
        self._begun = time.monotonic()
        self.inputs = self.taken = 0
        self.slowest_s = self.warm = 0.0
        self.faults: list[tuple[str, str, str]] = []

    def note(self, data: bytes, took_s: float, *, taken: bool) -> None:
        self.taken += taken
        if took_s > self.slowest_s:
            self.slowest_s = took_s
            (self._folder / f"{self._name}-slowest").write_bytes(data)
        past_s = time.monotonic() - self._begun
        if not self.warm and past_s > self._seconds / 10:
            self.warm = rss_mib()
        self.inputs += 1
        if self.inputs % 50 == 0 or past_s > self._seconds:
            self._write(past_s)

    def fault(self, data: bytes, text: str) -> None:
        """Keep an input that came out as something else than a documented error."""
        where = [line.strip() for line in text.splitlines() if 'File "' in line][-1]
        if where not in [known[0] for known in self.faults]:
            place = self._folder / f"{self._name}-fault-{len(self.faults)}"
            place.write_bytes(data)
            self.faults.append((where, text.strip().splitlines()[-1][:300], str(place)))

    def _write(self, past_s: float) -> None:
        said = {
            "inputs": self.inputs, "taken": self.taken, "slowest_s": self.slowest_s,
            "warm": self.warm, "end": rss_mib(), "seconds": past_s, "faults": self.faults,
        }  # fmt: skip
        (self._folder / f"{self._name}.json").write_text(json.dumps(said), encoding="utf-8")


def rss_mib() -> float:
    pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 2**20


def arguments(name: str, door: Door, seconds: float, folder: Path) -> list[str]:
    """Write seeds and words where libFuzzer finds them, and return its arguments."""
    corpus, words = folder / f"{name}-corpus", folder / f"{name}.dict"
    corpus.mkdir()
    for number, seed in enumerate(door.seeds()):
        (corpus / f"seed-{number}").write_bytes(seed)
    spelled = ["".join(f"\\x{byte:02x}" for byte in word) for word in door.words or (b"0",)]
    words.write_text("".join(f'"{word}"\n' for word in spelled), encoding="ascii")
    return [
        "fuzz", str(corpus), f"-max_total_time={round(seconds)}", f"-dict={words}", "-timeout=60",
        f"-artifact_prefix={folder / name}-", "-verbosity=0", "-rss_limit_mb=4096",
        f"-max_len={400_000 if name == 'record' else 20_000}",
    ]  # fmt: skip


def fuzz(name: str, seconds: float, folder: Path) -> None:
    """Fuzz one door in this process; what came of it is written to ``folder``."""
    atheris = importlib.import_module("atheris")
    with atheris.instrument_imports(include=["envmon", "envmon_boards"]):
        support = importlib.import_module("tests.hostile_support")
    door, count = support.DOORS[name], Count(name, seconds, folder)

    def one(data: bytes) -> None:
        taken, took_s = False, 0.0
        try:
            taken, took_s = support.cpu_of(door.take, data)
        except Exception:  # noqa: BLE001 - that is what is looked for
            count.fault(data, traceback.format_exc())
        count.note(data, took_s, taken=taken)

    options = {}
    if name == "record":  # bytes changed at random hardly ever stay JSON
        made = door.seeds()[0]
        options["custom_mutator"] = lambda _data, _size, seed: support.forged(made, seed)
    atheris.Setup(arguments(name, door, seconds, folder), one, **options)
    atheris.Fuzz()


def told(name: str, folder: Path, code: int) -> tuple[str, bool]:
    """Return a door's line of the report, and whether all was well."""
    try:
        count = json.loads((folder / f"{name}.json").read_text(encoding="utf-8"))
    except FileNotFoundError:
        return f"{name:10} ended with {code} and left no word", False
    grown = count["end"] - (count["warm"] or count["end"])
    line = (
        f"{name:10} {count['inputs']:8} {count['inputs'] / count['seconds']:10.0f} "
        f"{count['taken']:8} {count['slowest_s']:10.3f} {count['warm']:10.0f} "
        f"{count['end']:9.0f} {len(count['faults']):7}"
    )
    for where, last, place in count["faults"]:
        line += f"\n    {last}\n    {where}\n    {place}"
    well = code == 0 and not count["faults"] and count["slowest_s"] <= 1 and grown <= GROWTH_MIB
    return line + (f"\n    ended with {code}" if code else ""), well


def main() -> int:
    """Fuzz the doors in turn; return 0 when no fault was found."""
    if sys.argv[1:2] == ["--door"]:
        fuzz(sys.argv[2], float(sys.argv[3]), Path(sys.argv[4]))
        return 0
    seconds = float(sys.argv[1]) if sys.argv[1:] else 60.0
    from tests.hostile_support import DOORS

    folder, well = Path(tempfile.mkdtemp(prefix="envmon-fuzz-")), True
    print(f"inputs in {folder}\n{HEAD}", flush=True)
    for name in sys.argv[2:] or list(DOORS):
        argv = [sys.executable, __file__, "--door", name, str(seconds), str(folder)]
        with (folder / f"{name}.log").open("w") as log:
            code = subprocess.run(argv, cwd=ROOT, stdout=log, stderr=log, check=False).returncode
        line, good = told(name, folder, code)
        print(line, flush=True)
        well = well and good
    print("PASS" if well else "FAIL")
    return 0 if well else 1


if __name__ == "__main__":
    sys.exit(main())
