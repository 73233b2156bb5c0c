"""How a process ends decides whether it is started again: 1 is a fall, 2 cannot run as asked."""

from __future__ import annotations

import pytest

from envmon.errors import (
    ArchiveFileError,
    EnvmonError,
    Fault,
    ServiceError,
    ShopFileError,
    StoreDamagedError,
    StoreError,
)
from envmon.service.ending import exit_code_of


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (StoreError("the disk is full"), 1),
        (StoreDamagedError("a page is bad"), 1),
        (ArchiveFileError("a file is torn"), 1),
        (ServiceError("another watch works here"), 2),
        (ShopFileError("shop.toml", [Fault("bay", 3, "x", "is wrong")]), 2),
    ],
)
def test_end_tells_who_can_help(
    error: EnvmonError, code: int, capsys: pytest.CaptureFixture[str]
) -> None:
    def work() -> None:
        raise error

    assert exit_code_of("envmon keeper", work) == code
    said = capsys.readouterr().err
    assert ("is wrong" if isinstance(error, ShopFileError) else str(error)) in said


def test_end_without_a_fault_is_0() -> None:
    assert exit_code_of("envmon keeper", lambda: None) == 0
