"""The broker's files, held to a real Mosquitto: who gets in, and who may say and hear what.

Sources: mosquitto.conf(5), mosquitto_passwd(1), OASIS MQTT 3.1.1 (return codes 4 and 5 of CONNACK).
"""

from __future__ import annotations

import base64
import shutil
import signal
import socket
import ssl
import stat
import subprocess
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import pytest
from cryptography import x509
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

from envmon.errors import InputError
from envmon.field.authority_files import Wish, ensure_certificates
from envmon.field.install_broker import ensure_password, password_line
from tests.install_guide import PROJECT
from tests.install_support import Guest, Trial, broker_of, trial
from tests.mosquitto_support import NEEDS_MOSQUITTO, wait_until

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

PASSWD = shutil.which("mosquitto_passwd")
pytestmark = NEEDS_MOSQUITTO


@pytest.fixture(scope="module")
def machine() -> Iterator[Trial]:
    with trial() as made:
        made.make(nodes=("new=fjord_lane/new",))
        done = made.run("put-in-place.sh")
        assert done.returncode == 0, done.stderr
        with broker_of(made) as process:
            yield made
            assert process.poll() is None


@pytest.mark.parametrize("tls", [True, False])
@pytest.mark.parametrize(
    ("user", "password"),
    [(None, None), ("hall", "wrong"), ("nobody", "wrong"), ("envmon", "wrong")],
)
def test_nobody_gets_in_without_the_right_password(
    machine: Trial, user: str | None, password: str | None, *, tls: bool
) -> None:
    with Guest(machine, user, password=password, tls=tls) as guest:
        assert guest.reason == "Not authorized"


@pytest.mark.parametrize("user", ["hall", "yard", "new", "envmon"])
def test_right_password_gets_in(machine: Trial, user: str) -> None:
    with Guest(machine, user) as guest:
        assert guest.reason == "Success"


def test_node_trusts_nobody_else(machine: Trial, tmp_path: Path) -> None:
    with trial() as other:
        foreign = (other.shop_path.parent / "tls/ca.pem").read_bytes()
    (tmp_path / "ca.pem").write_bytes(foreign)
    context = ssl.create_default_context(cafile=str(tmp_path / "ca.pem"))
    with pytest.raises(ssl.SSLCertVerificationError):
        handshake(context, machine.tls_port)


def handshake(context: ssl.SSLContext, port: int) -> str | None:
    with (
        socket.create_connection(("127.0.0.1", port), timeout=30) as plain,
        context.wrap_socket(plain, server_hostname="localhost") as secured,
    ):
        return secured.version()


def test_tls_is_a_present_one(machine: Trial) -> None:
    context = ssl.create_default_context(cafile=str(machine.shop_path.parent / "tls/ca.pem"))
    assert handshake(context, machine.tls_port) in {"TLSv1.2", "TLSv1.3"}


def test_nodes_speak_for_themselves_only(machine: Trial) -> None:
    """Mosquitto acknowledges what it drops, so only the ear of envmon can tell."""
    with Guest(machine, "envmon", tls=False) as ear, Guest(machine, "hall") as hall:
        assert ear.hear("#") == 1
        for topic in (
            "fjord_lane/yard/air", "envmon/hall/state", "envmon/watch/heartbeat", "fjord_lane/hal",
            "fjord_lane", "fjord_lane/new/air", "other",
        ):  # fmt: skip
            hall.say(topic)
            hall.say(topic, retain=True)
        hall.say("fjord_lane/hall/air", "first")
        hall.say("fjord_lane/hall/status", "online", retain=True)
        with Guest(machine, "new") as new:
            new.say("fjord_lane/new/air", "unclaimed")
        wait_until(lambda: len(ear.heard) >= 3, "three messages")
        assert ear.heard == [
            ("fjord_lane/hall/air", b"first"),
            ("fjord_lane/hall/status", b"online"),
            ("fjord_lane/new/air", b"unclaimed"),
        ]


def test_nodes_hear_nothing_of_others(machine: Trial) -> None:
    """A subscription to all is granted, and brings what is one's own."""
    with Guest(machine, "hall") as hall, Guest(machine, "envmon", tls=False) as envmon:
        hall.hear("#")
        hall.hear("$SYS/#")
        with Guest(machine, "yard") as yard:
            yard.say("fjord_lane/yard/air")
        envmon.say("envmon/hall/state", retain=True)
        hall.say("fjord_lane/hall/last")
        wait_until(lambda: hall.heard, "its own message")
        assert [topic for topic, _ in hall.heard if topic != "fjord_lane/hall/status"] == [
            "fjord_lane/hall/last"
        ]


def test_envmon_speaks_below_its_own_topics_only(machine: Trial) -> None:
    with Guest(machine, "envmon", tls=False) as ear, Guest(machine, "envmon") as mouth:
        assert ear.hear("+/#") == 1
        ear.heard.clear()
        mouth.say("fjord_lane/hall/air", "forged")
        mouth.say("envmon/hall/job", "said")
        wait_until(lambda: any(t == "envmon/hall/job" for t, _ in ear.heard), "envmon's word")
        assert "fjord_lane/hall/air" not in {t for t, m in ear.heard if m == b"forged"}


def test_no_node_takes_the_place_of_another_client(machine: Trial) -> None:
    """A second client of one name throws the first out (MQTT 3.1.1, 3.1.4-2); names are users."""
    with (
        Guest(machine, "envmon", tls=False, client_id="envmon-watch") as watch,
        Guest(machine, "yard") as yard,
        Guest(machine, "hall", client_id="envmon-watch") as first,
    ):
        assert first.reason == "Success"
        first.say("fjord_lane/hall/air")
        with Guest(machine, "hall", client_id="yard") as second:
            second.say("fjord_lane/hall/air")
        watch.say("envmon/hall/job")
        yard.say("fjord_lane/yard/air")
        assert (watch.ended, yard.ended) == (False, False)
        wait_until(lambda: first.ended, "the node's older connection to end")


def test_at_the_port_of_this_machine_nobody_takes_the_name_of_envmon(machine: Trial) -> None:
    """There names are free, so that a node's password opens nothing (MQTT 3.1.1, 3.1.4-2)."""
    with Guest(machine, "envmon", tls=False, client_id="envmon-watch") as watch:
        for user in ("hall", "yard", "new"):
            with Guest(machine, user, tls=False, client_id="envmon-watch") as guest:
                assert guest.reason == "Not authorized"
        watch.say("envmon/hall/job")
        assert not watch.ended


def session(machine: Trial, heard: list[bytes]) -> Client:
    """Return envmon's session, subscribed."""
    client = Client(CallbackAPIVersion.VERSION2, client_id="envmon-watch", clean_session=False)
    client.username_pw_set("envmon", machine.password("envmon"))
    client.on_message = lambda _c, _d, message: heard.append(bytes(message.payload))
    granted: list[object] = []
    client.on_subscribe = lambda *_rest: granted.append(1)
    client.connect("127.0.0.1", machine.port)
    wait_until(client.is_connected, "envmon's session", meanwhile=client.loop)
    client.subscribe("fjord_lane/hall/air", 1)
    wait_until(lambda: granted, "the subscription", meanwhile=client.loop)
    return client


def test_what_waits_for_envmon_outlives_a_restart_of_the_broker() -> None:
    """With settings of its own for each port, an absent client is still held to its port's."""
    heard: list[bytes] = []
    with trial() as own:
        own.make()
        assert own.run("put-in-place.sh").returncode == 0
        with broker_of(own):
            session(own, heard).disconnect()
            with Guest(own, "hall") as hall:
                hall.say("fjord_lane/hall/air", "before")
        with broker_of(own):
            with Guest(own, "hall") as hall:
                hall.say("fjord_lane/hall/air", "behind")
            watch = session(own, heard)
            wait_until(lambda: len(heard) == 2, "both messages", meanwhile=watch.loop)
            watch.disconnect()
    assert heard == [b"before", b"behind"]


def test_secrets_are_for_their_owners_alone(machine: Trial) -> None:
    private = [
        *(machine.root / "etc/mosquitto").glob("envmon*"),
        machine.root / "etc/mosquitto/certs/envmon.key",
        machine.shop_path.parent / "broker_password",
        *machine.out.glob("nodes/*/password"),
        *machine.out.glob("nodes/*/node_settings.json"),
        *(machine.out / f"root{machine.root}/etc/mosquitto").glob("envmon*.passwd"),
    ]
    assert len(private) == 14
    assert {stat.S_IMODE(path.stat().st_mode) for path in private} == {0o600}
    passwords = [machine.password(user) for user in ("envmon", "hall", "yard", "new")]
    assert len(set(passwords)) == 4
    for path in (path for path in machine.root.rglob("*") if path.is_file()):
        if path not in private and "password" not in path.name:
            content = path.read_bytes()
            assert not any(password.encode() in content for password in passwords), path


def serial(port: int) -> str:
    """Return the number of the certificate the broker shows now."""
    pem = ssl.get_server_certificate(("127.0.0.1", port), timeout=30)
    return hex(x509.load_pem_x509_certificate(pem.encode()).serial_number)


def test_renewed_certificate_is_taken_without_dropping_anybody() -> None:
    """The unit reloads the broker (SIGHUP, mosquitto(8)); who is connected stays."""
    with trial() as machine:
        machine.make()
        assert machine.run("put-in-place.sh").returncode == 0
        with broker_of(machine) as process, Guest(machine, "hall") as hall:
            before = serial(machine.tls_port)
            wish = Wish("Fjord Lane", (), renew=True)
            assert ensure_certificates(machine.shop_path.parent / "tls", wish, datetime.now(UTC))
            done = machine.run("certificates.sh")
            assert done.returncode == 0, done.stderr
            assert serial(machine.tls_port) == before
            process.send_signal(signal.SIGHUP)
            wait_until(lambda: serial(machine.tls_port) != before, "the new certificate")
            hall.say("fjord_lane/hall/air")
            assert not hall.ended


def test_second_run_keeps_passwords_and_certificates(machine: Trial) -> None:
    before = {user: machine.password(user) for user in ("envmon", "hall", "yard", "new")}
    machine.make(nodes=("new=fjord_lane/new", "late=fjord_lane/late"))
    assert {user: machine.password(user) for user in before} == before
    assert len(machine.password("late")) == 32


def settings_of(text: str) -> dict[str, str]:
    lines = [line.split(maxsplit=1) for line in text.splitlines()]
    return {words[0]: words[1] for words in lines if len(words) == 2 and words[0] != "#"}


def test_both_broker_files_keep_the_same_over_a_crash(machine: Trial) -> None:
    made = settings_of((machine.root / "etc/mosquitto/mosquitto.conf").read_text("utf-8"))
    shipped = settings_of((PROJECT / "fixtures/mosquitto/envmon.conf").read_text("utf-8"))
    for name in (
        "persistence", "autosave_on_changes", "autosave_interval", "max_queued_messages",
        "max_inflight_messages", "persistent_client_expiration", "message_size_limit",
    ):  # fmt: skip
        assert made[name] == shipped[name]


@pytest.mark.skipif(PASSWD is None, reason="mosquitto_passwd is not installed")
def test_hash_is_that_of_mosquitto_itself(tmp_path: Path) -> None:
    """mosquitto_passwd hashes a password; the same salt gives the same line here."""
    file = tmp_path / "passwd"
    argv = [str(PASSWD), "-b", "-c", str(file), "hall", "correct horse battery"]
    subprocess.run(argv, check=True, timeout=30, capture_output=True)
    line = file.read_text(encoding="utf-8").strip()
    salt = base64.b64decode(line.split("$")[3])
    assert password_line("hall", "correct horse battery", salt) == line


def test_short_password_is_refused(tmp_path: Path) -> None:
    (tmp_path / "password").write_text("hall\n", encoding="utf-8")
    with pytest.raises(InputError, match="shorter than 16"):
        ensure_password(tmp_path / "password")
