"""The commands as a person types them: they go by the names of the shop file."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cryptography import x509
from typer.testing import CliRunner

from envmon.cli import app
from envmon.errors import InputError
from envmon.field.authority import host_text, hosts_of

if TYPE_CHECKING:
    from pathlib import Path


def run(*arguments: str) -> str:
    done = CliRunner().invoke(app, list(arguments))
    assert done.exit_code == 0, (done.output, done.exception)
    return done.output


def made(folder: Path, *more: str) -> Path:
    shop = folder / "shop.toml"
    data = str(folder / "data")
    run("new", str(shop), "--yes", "--broker", "mosquitto", "--data", data, *more)
    return shop


def names_in(shop: Path) -> set[str]:
    pem = (shop.parent / "tls/shop.pem").read_bytes()
    return {host_text(host) for host in hosts_of(x509.load_pem_x509_certificate(pem))}


def test_certificates_are_for_the_names_of_the_boards_and_those_given(tmp_path: Path) -> None:
    shop = made(tmp_path, "--reach", "workshop.local")
    said = run("certificates", str(shop), "--host", "192.168.1.20")
    assert "every node, phone and screen must trust this file" in said
    assert {"workshop.local", "192.168.1.20", "localhost", "127.0.0.1"} <= names_in(shop)
    assert "kept" in run("certificates", str(shop))


def test_nodes_are_told_the_name_of_the_boards(tmp_path: Path) -> None:
    shop = made(tmp_path, "--reach", "workshop.local")
    run("certificates", str(shop))
    out = tmp_path / "files"
    said = run("install", str(shop), "--out", str(out), "--node", "hall=my_shop/hall")
    assert "nothing on this machine was changed" in said
    node = (out / "nodes/hall/node.toml").read_text(encoding="utf-8")
    assert 'host = "workshop.local"' in node
    assert 'topic = "my_shop/hall"' in node
    wall = next(out.rglob("wall.sh")).read_text(encoding="utf-8")
    assert 'url="https://127.0.0.1:8050"' in wall


def test_next_steps_are_said_where_phones_are_to_come(tmp_path: Path) -> None:
    said = run("new", str(tmp_path / "a.toml"), "--yes", "--reach", "workshop.local")
    assert "envmon certificates" in said
    assert "envmon people" in said
    assert "envmon people" not in run("new", str(tmp_path / "b.toml"), "--yes")


def test_node_that_cannot_reach_the_machine_is_not_made(tmp_path: Path) -> None:
    shop = made(tmp_path)
    run("certificates", str(shop))
    argv = ["install", str(shop), "--out", str(tmp_path / "files"), "--host", "other.lan"]
    done = CliRunner().invoke(app, argv)
    assert isinstance(done.exception, InputError)
    assert "envmon certificates" in str(done.exception)
    assert not (tmp_path / "files").exists()
