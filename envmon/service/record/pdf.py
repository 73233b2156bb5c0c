"""The record as PDF, laid out by WeasyPrint from the same page a browser shows.

It takes seconds and a good deal of memory, so it is done in a process of its own, and the boards
answer meanwhile: ``python -m envmon.service.record.pdf < page.html > record.pdf``.
"""

from __future__ import annotations

import logging
import subprocess
import sys
from typing import Any

from envmon.errors import ServiceError

PATIENCE_S = 180.0
MISSING = 3
TIGHTER_PT = (8.4, 7.6, 7.0)
"""Sizes of letters tried when the customer's sheet runs over, the largest first [pt]."""
DETAILS = "details"
"""Id of what follows the customer's sheet."""
_NEEDS = (
    "install Pango and HarfBuzz (Debian: libpango-1.0-0, libpangoft2-1.0-0, libharfbuzz-subset0), "
    "or print the .html from a browser"
)


def pdf_from(html: str) -> bytes:
    """Return a page as PDF. Nothing outside the page is fetched.

    Raises:
        ServiceError: WeasyPrint or one of the libraries it needs is missing, or it takes too long.
    """
    command = [sys.executable, "-m", "envmon.service.record.pdf"]
    try:
        done = subprocess.run(  # noqa: S603 - our own module
            command, input=html.encode(), capture_output=True, check=False, timeout=PATIENCE_S
        )
    except (OSError, subprocess.TimeoutExpired) as error:
        raise ServiceError(f"cannot make a PDF: {error}") from error
    if done.returncode != 0:
        said = done.stderr.decode(errors="replace").strip().splitlines()
        needs = f"; {_NEEDS}" if done.returncode == MISSING else ""
        raise ServiceError(f"cannot make a PDF: {said[-1] if said else done.returncode}{needs}")
    return done.stdout


def main() -> int:
    """Read a page from stdin and write it as PDF to stdout; return the exit code."""
    try:
        # Heavy, and needs libraries of the system.
        from weasyprint import CSS, HTML  # noqa: PLC0415
        from weasyprint.urls import URLFetcher  # noqa: PLC0415
    except (ImportError, OSError) as error:
        sys.stderr.write(f"{error}\n".replace("\n", " "))
        return MISSING
    # What it says of rules for screens, which are none of its business, helps nobody.
    logging.getLogger("weasyprint").setLevel(logging.ERROR)
    page = sys.stdin.buffer.read().decode()
    paper: Any = HTML(string=page, url_fetcher=URLFetcher(allowed_protocols=()))
    laid_out: Any = paper.render()
    for size_pt in TIGHTER_PT:
        if _front_sheets(laid_out) <= 1:
            break
        tighter = CSS(string=f"@media print {{ .front {{ font-size: {size_pt}pt; }} }}")
        laid_out = paper.render(stylesheets=[tighter])
    sys.stdout.buffer.write(laid_out.write_pdf())
    return 0


def _front_sheets(laid_out: Any) -> int:
    """Return how many pages there are before the details; 1 where there are none."""
    begins = (at for at, page in enumerate(laid_out.pages) if DETAILS in page.anchors)
    return next(begins, 1)


if __name__ == "__main__":
    sys.exit(main())
