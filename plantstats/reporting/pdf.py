"""Pages as PDF, tagged for readers of screens, the same bytes for the same page."""

from __future__ import annotations

import logging
from collections.abc import Callable
from pathlib import Path

try:
    from weasyprint import HTML, URLFetcher
except (ImportError, OSError):  # it needs a library of the system
    HTML = None


def write(page: Path, out: Path) -> str:
    """Turn a page into a PDF.

    Parameters
    ----------
    page : pathlib.Path
        An HTML page of ours; nothing is loaded from outside it.
    out : pathlib.Path
        The PDF to write.

    Returns
    -------
    str
        "" when done; else why no PDF could be made, and how to get what is missing.
    """
    if HTML is None:
        return (
            f"no {out.name}: the library Pango is missing on this system (Debian: apt install libpango-1.0-0 "
            "libpangoft2-1.0-0; conda: environment.yml brings it); the HTML pages print as well"
        )
    logging.getLogger("weasyprint").setLevel(logging.CRITICAL)
    HTML(string=page.read_text(encoding="utf-8"), url_fetcher=URLFetcher(allowed_protocols=("data",))).write_pdf(
        out, pdf_variant="pdf/ua-1"
    )
    return ""


def write_beside(report: Callable[[str], None], page: str) -> None:
    """Turn a page into a PDF beside it, in a process of its own.

    Parameters
    ----------
    report : callable
        Is told why no PDF could be made.
    page : str
        An HTML page of ours.
    """
    if why := write(Path(page), Path(page).with_suffix(".pdf")):
        report(why)
