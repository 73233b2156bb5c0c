"""``envmon install``: makes the files a machine needs to run a shop by itself, in one folder.

Nothing on the machine is touched: ``put-in-place.sh`` in that folder does it, read first.
Passwords that are there from an earlier run are kept, all else is written anew.
"""

from __future__ import annotations

import getpass
import re
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from envmon.errors import InputError
from envmon.field.authority_files import AUTHORITY, CERTIFICATE, FOLDER, certificate_hosts
from envmon.field.files import PRIVATE, PUBLIC, RUNNABLE, write_whole
from envmon.field.install_board import write_board
from envmon.field.install_broker import access_file, ensure_password, password_file
from envmon.field.install_nodes import OWN, Node, nodes_of
from envmon.field.install_places import Places, is_plain, places_of
from envmon.field.install_words import words_of
from envmon.field.template import filled
from envmon.shop.boards import is_loopback

if TYPE_CHECKING:
    from envmon.shop.models import Shop

_USER = re.compile(r"^[a-z_][a-z0-9_-]{0,31}$")
SCRIPT = "put-in-place.sh"
TREE = "root"
NODES = "nodes"
_UNITS = (
    "envmon.service", "envmon-backup.service", "envmon-backup.timer", "envmon-node.service",
    "envmon-certificates.service", "envmon-certificates.timer", "envmon-wall.service",
)  # fmt: skip
_SCRIPTS = ("backup.sh", "certificates.sh", "upgrade.sh", "way-back.sh", "wall.sh")


class Wish(NamedTuple):
    """What is asked of ``envmon install``.

    Attributes:
        shop_path: The shop file, where it will stay.
        out: Folder to write.
        host: Name or address by which nodes reach this machine.
        nodes: Nodes that are declared, as ``north=fjord_lane/north``.
        tls_port: Port for the nodes.
        keep: So many backups are kept.
        root: All places are below this; for a trial.
        user: User that envmon runs as.
    """

    shop_path: Path
    out: Path
    host: str
    nodes: tuple[str, ...] = ()
    tls_port: int = 8883
    keep: int = 14
    root: Path = Path("/")
    user: str = OWN


class File(NamedTuple):
    """A file of the machine.

    Attributes:
        path: Where it stands.
        content: What it holds.
        mode: Its rights.
    """

    path: Path
    content: str
    mode: int = PUBLIC


def install(shop: Shop, wish: Wish) -> list[str]:
    """Write the folder and return what it holds in words.

    Raises:
        InputError: The shop file, the certificates or the folder do not allow it; nothing was
            written then.
    """
    places = places_of(shop, wish.shop_path, wish.root)
    places.ensure_plain()
    places.ensure_own_folders()
    _ensure_ours(wish)
    nodes = nodes_of(shop, wish.nodes) if shop.broker.kind == "external" else []
    if shop.broker.kind == "external":
        _ensure_broker(shop, wish, places)
    words = words_of(shop, places, wish.host, wish.tls_port) | {
        "USER": wish.user,
        "GROUP": wish.user,
        "AS_USER": "" if wish.user == getpass.getuser() else f"runuser -u {wish.user} -- ",
        "KEEP": str(wish.keep),
    }
    files = [*_system_files(places, words), *_broker_files(shop, wish, words, places, nodes)]
    return _write(wish, files, words, nodes)


def _ensure_ours(wish: Wish) -> None:
    there = wish.out.exists() or wish.out.is_symlink()
    if there and not ((wish.out / SCRIPT).is_file() or (wish.out / NODES / OWN).is_dir()):
        raise InputError(
            f"{wish.out} is there already and was not made by envmon install; give another folder"
        )
    if not 1 <= wish.keep <= 10_000:
        raise InputError(f"keep is {wish.keep}; 1 to 10000 backups can be kept")
    if not _USER.fullmatch(wish.user):
        raise InputError(
            f"user is {wish.user[:60]!r}; allowed are 1 to 32 of a-z, 0-9, - and _, a letter first"
        )
    if not 1 <= wish.tls_port <= 65_535:
        raise InputError(f"tls-port is {wish.tls_port}; 1 to 65535 is allowed")


def _ensure_broker(shop: Shop, wish: Wish, places: Places) -> None:
    broker = shop.broker
    if not is_loopback(broker.host) or broker.username != OWN or not broker.password_file:
        password = places.shop.parent / "broker_password"
        raise InputError(
            "the files are for a Mosquitto on this machine; under [broker] write: "
            f'host = "127.0.0.1", username = "{OWN}", password_file = "{password}"'
        )
    if not Path(broker.password_file).is_absolute() or not is_plain(broker.password_file):
        raise InputError(
            f"password_file under [broker] is {broker.password_file!r}; services need a whole path "
            f"of plain characters, such as {places.shop.parent / 'broker_password'}"
        )
    if broker.port == wish.tls_port:
        raise InputError(f"port under [broker] and tls-port are both {wish.tls_port}; change one")
    hosts = certificate_hosts(places.shop.parent / FOLDER)
    if wish.host.lower() not in hosts:
        held = f"it is for {', '.join(hosts)}" if hosts else f"there is no {FOLDER}/{CERTIFICATE}"
        raise InputError(
            f"nodes are to reach this machine by {wish.host!r}, but {held}; run first: envmon "
            f"certificates {wish.shop_path} --host {wish.host}"
        )


def _system_files(places: Places, words: dict[str, str]) -> list[File]:
    files = [
        File(places.below(f"etc/systemd/system/{unit}"), filled(unit, words)) for unit in _UNITS
    ]
    files += [File(places.scripts / name, filled(name, words), RUNNABLE) for name in _SCRIPTS]
    journal = places.below("etc/systemd/journald.conf.d/envmon.conf")
    return [
        *files,
        File(journal, filled("journald.conf", words)),
        File(Path(words["SYSUSERS"]), filled("sysusers.conf", words)),
        File(Path(words["TMPFILES"]), filled("tmpfiles.conf", words)),
    ]


def _broker_files(
    shop: Shop, wish: Wish, words: dict[str, str], places: Places, nodes: list[Node]
) -> list[File]:
    if shop.broker.kind != "external":
        return []
    assert shop.broker.password_file is not None
    own = ensure_password(_folder_of(wish, OWN) / "password")
    passwords = {n.user: ensure_password(_folder_of(wish, n.user) / "password") for n in nodes}
    alone = {OWN: own}
    unit = places.below("etc/systemd/system/mosquitto.service.d/envmon.conf")
    return [
        File(unit, filled("mosquitto-service.conf", words)),
        File(places.broker / "mosquitto.conf", filled("mosquitto.conf", words)),
        File(places.broker / "envmon.acl", access_file(nodes), PRIVATE),
        File(places.broker / "envmon-own.passwd", password_file(alone), PRIVATE),
        File(places.broker / "envmon.passwd", password_file(alone | passwords), PRIVATE),
        File(Path(shop.broker.password_file), f"{own}\n", PRIVATE),
    ]


def _folder_of(wish: Wish, user: str) -> Path:
    return wish.out / NODES / user


def _write(wish: Wish, files: list[File], words: dict[str, str], nodes: list[Node]) -> list[str]:
    for file in files:
        inside = wish.out / TREE / file.path.relative_to("/")
        write_whole(inside, file.content.encode(), file.mode)
    place = "".join(f'place {file.mode:04o} "{file.path}"\n' for file in files)
    broker = filled("put-broker.sh", words) if words["RESTART_BROKER"] else ""
    script = filled(SCRIPT, words | {"PLACE": place, "BROKER": broker})
    for node in nodes:
        _write_node(wish, node, words)
    write_whole(wish.out / SCRIPT, script.encode(), RUNNABLE)
    lines = [
        f"{wish.out / NODES / n.user}: for the node that speaks below {n.place}" for n in nodes
    ]
    counted = f"{wish.out / TREE}: {len(files)} files; nothing on this machine was changed"
    return [*lines, counted, f"now read {wish.out / SCRIPT}, then run it as root"]


def _write_node(wish: Wish, node: Node, words: dict[str, str]) -> None:
    folder = _folder_of(wish, node.user)
    text = filled("node.toml", words | {"NODE": node.user, "TOPIC": node.place})
    write_whole(folder / "node.toml", text.encode())
    authority = wish.shop_path.resolve().parent / FOLDER / AUTHORITY
    write_whole(folder / AUTHORITY, authority.read_bytes())
    password = ensure_password(folder / "password")
    write_board(folder, node, password, (wish.host, wish.tls_port))
