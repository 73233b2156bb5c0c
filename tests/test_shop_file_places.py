"""Files that a shop file names lie beside it, wherever envmon is started from."""

from __future__ import annotations

from typing import TYPE_CHECKING

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from envmon.errors import BrokerError, ServiceError
from envmon.service.notice.channels import Channels
from envmon.service.people.book import people_of
from envmon.service.people.door import ensure_certificate
from envmon.service.watch_process import account_from, data_folder
from envmon.shop.load import load_shop
from envmon.shop.models import BrokerInfo
from tests.boards_support import shop_text

if TYPE_CHECKING:
    from pathlib import Path

    from envmon.shop.models import Shop

FILES = """
[store]
folder = "readings"
[boards]
people_file = "people.toml"
certificate = "tls/shop.pem"
key = "tls/shop.key"
[notice]
channels_file = "channels.toml"
"""


@pytest.fixture
def shop_path(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return a shop file named by a relative path, in another folder than the one worked in."""
    (tmp_path / "shop").mkdir()
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "elsewhere" / "secret").write_text("not this one", encoding="utf-8")
    monkeypatch.chdir(tmp_path / "elsewhere")
    file = tmp_path / "shop" / "shop.toml"
    file.write_text(shop_text() + FILES, encoding="utf-8")
    return file


@pytest.fixture
def shop(shop_path: Path) -> Shop:
    return load_shop(shop_path)


def test_the_password_of_the_broker_is_beside_the_shop_file(shop_path: Path) -> None:
    (shop_path.parent / "secret").write_text("beside\n", encoding="utf-8")
    broker = BrokerInfo(kind="external", username="envmon", password_file="secret")
    assert account_from(broker, shop_path).password == "beside"
    whole = broker.model_copy(update={"password_file": str(shop_path.parent / "secret")})
    assert account_from(whole, shop_path).password == "beside"


@pytest.mark.parametrize("content", [None, b"\xff\xfe\x00"])
def test_a_password_that_cannot_be_read_is_named_with_its_place(
    shop_path: Path, content: bytes | None
) -> None:
    wanted = shop_path.parent / "secret"
    if content is not None:
        wanted.write_bytes(content)
    broker = BrokerInfo(kind="external", password_file="secret")
    with pytest.raises(ServiceError) as refused:
        account_from(broker, shop_path)
    assert f"in {wanted}: " in str(refused.value)
    assert "beside the shop file" in str(refused.value)


def test_the_authority_to_trust_is_beside_the_shop_file(shop_path: Path) -> None:
    account = account_from(BrokerInfo(kind="external", ca_file="tls/ca.pem"), shop_path)
    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    with pytest.raises(BrokerError, match=f"ca_file is {shop_path.parent}/tls/ca.pem"):
        account.log_in(client)


def test_everything_else_a_shop_file_names_is_beside_it_too(shop: Shop, shop_path: Path) -> None:
    beside = shop_path.parent
    assert data_folder(shop, shop_path) == beside / "readings"
    people = people_of(shop, shop_path)
    assert people is not None
    assert people.path == beside / "people.toml"
    with pytest.raises(ServiceError, match=f"{beside}/tls/shop.key"):
        ensure_certificate(shop, shop_path)
    (beside / "channels.toml").write_text('kari = "mailto://x"\n', encoding="utf-8")
    (beside / "channels.toml").chmod(0o600)
    assert Channels(shop, shop_path).address("kari") == "mailto://x"
