"""The record as PDF, laid out by WeasyPrint from the same page a browser shows."""

from __future__ import annotations

import logging
from typing import Any

from envmon.errors import ServiceError


def pdf_from(html: str) -> bytes:
    """Return a page as PDF. Nothing outside the page is fetched.

    Raises:
        ServiceError: WeasyPrint or one of the libraries it needs is missing.
    """
    try:
        from weasyprint import HTML  # noqa: PLC0415 - heavy, and needs libraries of the system
    except (ImportError, OSError) as error:
        raise ServiceError(
            f"cannot make a PDF: {error}; install Pango (Debian: libpango-1.0-0, "
            "libpangoft2-1.0-0), or print the .html from a browser"
        ) from error
    # What it says of the rules for screens, which are none of its business, helps nobody.
    logging.getLogger("weasyprint").setLevel(logging.ERROR)
    made: Any = HTML(string=html, url_fetcher=_refuse).write_pdf()
    return bytes(made)


def _refuse(url: str, *_: Any, **__: Any) -> Any:
    raise ValueError(f"a record needs nothing from outside, not {url[:60]}")
