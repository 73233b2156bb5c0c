"""Units, users, folders and scripts, held to systemd's own tools and to the shell.

Sources: systemd.unit(5), sysusers.d(5), tmpfiles.d(5), journald.conf(5), POSIX sh.
"""

from __future__ import annotations

import configparser
import os
import re
import shutil
import stat
import subprocess
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from envmon.errors import InputError
from envmon.field.first_shop import Answers, shop_text
from envmon.field.install import Wish, install
from envmon.field.install_places import places_of
from envmon.field.install_words import words_of
from envmon.field.template import filled
from envmon.shop.load import load_shop
from tests.install_support import POINTS, Trial, trial

if TYPE_CHECKING:
    from collections.abc import Iterator

ANALYZE = shutil.which("systemd-analyze")
FIXTURE = Path(__file__).parent.parent / "fixtures/systemd/envmon.service"


@pytest.fixture(scope="module")
def machine() -> Iterator[Trial]:
    with trial() as made:
        made.make()
        done = made.run("put-in-place.sh")
        assert done.returncode == 0, done.stderr
        yield made


def units(machine: Trial) -> list[Path]:
    return sorted((machine.root / "etc/systemd/system").glob("envmon*"))


@pytest.mark.skipif(ANALYZE is None, reason="systemd-analyze is not installed")
def test_units_are_sound(machine: Trial, tmp_path: Path) -> None:
    """What they run must exist for the check; envmon-node may not, here."""
    assert len(units(machine)) == 7
    for unit in units(machine):
        text = re.sub(r"(?m)^(ExecStart=)\S+envmon-node\b", r"\1/bin/true", unit.read_text())
        text = re.sub(r"(?m)^User=.*$", "User=root", text.replace("mosquitto.service", ""))
        (tmp_path / unit.name).write_text(text, encoding="utf-8")
    names = [str(tmp_path / unit.name) for unit in units(machine)]
    done = subprocess.run(
        [str(ANALYZE), "verify", "--man=no", "--recursive-errors=no", *names],
        capture_output=True, text=True, check=False, timeout=60,
    )  # fmt: skip
    assert (done.returncode, done.stdout + done.stderr) == (0, "")


def test_all_that_units_and_scripts_name_is_there(machine: Trial) -> None:
    for unit in units(machine):
        for path in re.findall(r"(?m)^Exec\w+=-?(\S+)", unit.read_text(encoding="utf-8")):
            if path.startswith(str(machine.root)):
                assert stat.S_IMODE(Path(path).stat().st_mode) == 0o755
    for unit in units(machine):
        text = unit.read_text(encoding="utf-8")
        assert not re.findall(r"@[A-Z_]+@", text)
        if unit.suffix == ".timer":
            assert (unit.with_suffix(".service")).exists()


@pytest.mark.parametrize("name", ["envmon.service", "envmon-backup.service"])
def test_services_write_nowhere_but_where_they_must(machine: Trial, name: str) -> None:
    lines = (machine.root / "etc/systemd/system" / name).read_text(encoding="utf-8").splitlines()
    writes = next(line for line in lines if line.startswith("ReadWritePaths=")).split("=")[1]
    own = machine.shop_path.parent if name == "envmon.service" else machine.backups
    assert set(writes.split()) == {str(machine.data), str(own)}
    for line in ("ProtectSystem=strict", "NoNewPrivileges=yes", "CapabilityBoundingSet="):
        assert line in lines


def test_shipped_unit_is_what_install_writes(tmp_path: Path) -> None:
    text = shop_text(Answers(data="/var/lib/envmon"), tmp_path / "shop.toml")
    (tmp_path / "shop.toml").write_text(text, encoding="utf-8")
    shop = load_shop(tmp_path / "shop.toml")
    places = places_of(shop, tmp_path / "shop.toml", Path("/"))
    places = places._replace(shop=Path("/etc/envmon/shop.toml"), venv=Path("/opt/envmon"))
    words = words_of(shop, places, "localhost", 8883) | {"USER": "envmon"}
    assert filled("envmon.service", words) == FIXTURE.read_text(encoding="utf-8")


@pytest.mark.skipif(shutil.which("systemd-sysusers") is None, reason="systemd-sysusers is missing")
def test_users_are_made(machine: Trial, tmp_path: Path) -> None:
    root = tmp_path / "root"
    (root / "etc").mkdir(parents=True)
    file = machine.root / "etc/sysusers.d/envmon.conf"
    text = re.sub(r"(?m)^u \S+ - \"envmon\"", 'u envmon - "envmon"', file.read_text("utf-8"))
    (tmp_path / "envmon.conf").write_text(text, encoding="utf-8")
    argv = ["systemd-sysusers", f"--root={root}", str(tmp_path / "envmon.conf")]
    done = subprocess.run(argv, capture_output=True, text=True, check=False, timeout=60)
    assert done.returncode == 0, done.stderr
    users = (root / "etc/passwd").read_text(encoding="utf-8")
    for name in ("envmon", "envmon-node", "envmon-wall"):
        assert re.search(rf"(?m)^{name}:.*:/usr/sbin/nologin$", users)
    groups = (root / "etc/group").read_text(encoding="utf-8")
    assert re.search(r"(?m)^i2c:.*:envmon-node$", groups)
    assert re.search(r"(?m)^video:.*:envmon-wall$", groups)


@pytest.mark.skipif(shutil.which("systemd-tmpfiles") is None, reason="systemd-tmpfiles is missing")
def test_folders_are_made_with_their_rights(machine: Trial, tmp_path: Path) -> None:
    text = (machine.root / "etc/tmpfiles.d/envmon.conf").read_text(encoding="utf-8")
    text = re.sub(r"(?m)^(d \S+ \d+) \S+ \S+ -$", r"\1 - - -", text)
    (tmp_path / "envmon.conf").write_text(text, encoding="utf-8")
    root = tmp_path / "root"
    root.mkdir()
    argv = ["systemd-tmpfiles", f"--root={root}", "--create", str(tmp_path / "envmon.conf")]
    done = subprocess.run(argv, capture_output=True, text=True, check=False, timeout=60)
    assert done.returncode == 0, done.stderr
    backups = root / machine.backups.relative_to("/")
    assert stat.S_IMODE(backups.stat().st_mode) == 0o700


def test_broker_is_started_however_often_it_falls(machine: Trial) -> None:
    """Debian's unit gives up after five falls in ten seconds (systemd-system.conf(5))."""
    beside = machine.root / "etc/systemd/system/mosquitto.service.d/envmon.conf"
    parser = configparser.ConfigParser()
    parser.read(beside)
    assert parser["Unit"]["StartLimitIntervalSec"] == "0"
    assert parser["Service"]["Restart"] == "always"


def test_log_is_bounded(machine: Trial) -> None:
    parser = configparser.ConfigParser()
    parser.read(machine.root / "etc/systemd/journald.conf.d/envmon.conf")
    assert parser["Journal"]["SystemMaxUse"] == "200M"
    assert parser["Journal"]["MaxRetentionSec"] == "3month"


def test_scripts_are_posix_shell(machine: Trial) -> None:
    scripts = [machine.out / "put-in-place.sh", *machine.scripts.glob("*.sh")]
    assert len(scripts) == 6
    for script in scripts:
        assert not re.findall(r"@[A-Z_]+@", script.read_text(encoding="utf-8"))
        done = subprocess.run(
            ["sh", "-n", str(script)], capture_output=True, text=True, check=False, timeout=30
        )
        assert (done.returncode, done.stderr) == (0, "")


def test_put_in_place_keeps_the_broker_file_that_was_there() -> None:
    with trial() as machine:
        machine.make()
        config = machine.root / "etc/mosquitto/mosquitto.conf"
        config.parent.mkdir(parents=True)
        config.write_text("# mine\n", encoding="utf-8")
        for _ in range(2):
            assert machine.run("put-in-place.sh").returncode == 0
        assert [path.name for path in machine.root.rglob("*.before-envmon")] == [
            "mosquitto.conf.before-envmon"
        ]
        kept = config.with_name("mosquitto.conf.before-envmon")
        assert kept.read_text(encoding="utf-8") == "# mine\n"


def test_install_itself_touches_nothing_outside_its_folder() -> None:
    with trial() as machine:
        before = set(machine.root.rglob("*"))
        machine.make()
        new = set(machine.root.rglob("*")) - before
        assert all(path.is_relative_to(machine.out) for path in new)


def test_embedded_broker_needs_no_broker_files(tmp_path: Path) -> None:
    shop_path = tmp_path / "shop.toml"
    shop_path.write_text(shop_text(Answers(), shop_path) + POINTS.replace("hall", "bay"), "utf-8")
    install(load_shop(shop_path), Wish(shop_path, tmp_path / "made", "localhost", root=tmp_path))
    names = {path.name for path in (tmp_path / "made").rglob("*") if path.is_file()}
    assert "envmon.service" in names
    assert not names & {"mosquitto.conf", "envmon.passwd", "password"}


def changed(machine: Trial, old: str, new: str) -> None:
    text = machine.shop_path.read_text(encoding="utf-8")
    assert old in text
    machine.shop_path.write_text(text.replace(old, new), encoding="utf-8")


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('username = "envmon"', 'username = "ada"', 'username = "envmon"'),
        ('host = "127.0.0.1"', 'host = "192.168.1.9"', "a Mosquitto on this machine"),
        ("password_file", "# password_file", "password_file = "),
        ('password_file = "/', 'password_file = "', "need a whole path"),
    ],
)
def test_broker_section_that_does_not_fit_is_refused(old: str, new: str, words: str) -> None:
    with trial() as machine:
        changed(machine, old, new)
        with pytest.raises(InputError, match=words):
            machine.make()
        assert not machine.out.exists()


@pytest.mark.parametrize(
    ("other", "words"),
    [
        ({"host": "other.lan"}, "run first: envmon certificates"),
        ({"keep": 0}, "1 to 10000 backups"),
        ({"tls_port": 70_000}, "1 to 65535"),
        ({"nodes": ("a=fjord_lane",)}, "could speak for each other"),
        ({"user": "envmon\nUser=root"}, "a letter first"),
        ({"nodes": ("a",)}, "allowed is NAME=TOPIC"),
    ],
)
def test_wish_that_does_not_fit_is_refused_and_nothing_is_written(
    other: dict[str, object], words: str
) -> None:
    with trial() as machine:
        if words == "could speak for each other":
            other = {"nodes": ("a=fjord_lane/hall", "b=fjord_lane/hall/air")}
        with pytest.raises(InputError, match=words):
            machine.make(**other)
        assert not machine.out.exists()


def test_name_of_the_shop_is_no_way_into_the_files() -> None:
    with trial() as machine:
        changed(
            machine, '"Fjord Lane"', '"Fjord\\nlistener 1900 0.0.0.0\\u2028allow_anonymous true"'
        )
        machine.make()
        for name in ("mosquitto.conf", "node.toml"):
            text = next(machine.out.rglob(name)).read_text(encoding="utf-8")
            assert "Fjord listener 1900 0.0.0.0 allow_anonymous true" in text.splitlines()[0]
            assert not re.search(r"(?m)^listener 1900|^allow_anonymous true", text)


def test_foreign_folder_is_left_alone() -> None:
    with trial() as machine:
        machine.out.mkdir()
        (machine.out / "mine").touch()
        with pytest.raises(InputError, match="was not made by envmon install"):
            machine.make()
        assert [path.name for path in machine.out.iterdir()] == ["mine"]


@pytest.mark.parametrize("folder", ["/etc", "/", "/home/ada", "/var/lib", "/root"])
def test_folder_of_others_is_never_made_envmons_own(folder: str) -> None:
    with trial() as machine:
        text = machine.shop_path.read_text(encoding="utf-8")
        text = text.replace(str(machine.data), folder)
        machine.shop_path.write_text(text, encoding="utf-8")
        with pytest.raises(InputError, match="not envmon's alone"):
            machine.make()
        assert not machine.out.exists()
        shop = load_shop(machine.shop_path)
        places = places_of(shop, Path(folder) / "shop.toml", Path("/"))._replace(data=machine.data)
        with pytest.raises(InputError, match="not envmon's alone"):
            places.ensure_own_folders()


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can give files away")
def test_only_what_is_envmons_is_given_to_it() -> None:
    """What else lies beside the shop file keeps its owner."""
    with trial() as other:
        (other.shop_path.parent / "letter").touch()
        other.make(user="nobody")
        script = other.out / "put-in-place.sh"
        text = script.read_text(encoding="utf-8").replace(
            f'|| "{other.scripts}/certificates.sh"', "|| :"
        )
        script.write_text(text, encoding="utf-8")
        done = other.run("put-in-place.sh")
        assert done.returncode == 0, done.stderr
        owners = {path.name: path.owner() for path in other.shop_path.parent.rglob("*")}
        assert owners.pop("letter") == "root"
        assert set(owners.values()) == {"nobody"}
        assert {"shop.toml", "broker_password", "ca.key"} <= set(owners)


def test_path_that_means_something_to_a_shell_is_refused() -> None:
    with trial() as machine:
        odd = machine.root / "etc/my $(shop)"
        machine.shop_path.parent.rename(odd)
        with pytest.raises(InputError, match="only paths of a-z"):
            install(
                load_shop(odd / "shop.toml"),
                machine.wish()._replace(shop_path=odd / "shop.toml"),
            )
