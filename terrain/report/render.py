"""A report as one HTML file, and as PDF."""

from __future__ import annotations

import logging
from importlib import resources
from pathlib import Path
from typing import Any

from terrain.errors import MissingSystemLibraryError
from terrain.maps.files import replacing
from terrain.report.collect import Report

TEMPLATE = "page.html"


def to_html(report: Report) -> str:
    """Return the report as a page that loads nothing and runs nothing; all text in it is escaped."""
    from jinja2 import Environment, StrictUndefined

    source = resources.files("terrain.report").joinpath(TEMPLATE).read_text(encoding="utf-8")
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    return environment.from_string(source).render(report=report) + "\n"


def write_html(report: Report, out: Path) -> None:
    """Write the page under its name once it is whole; an existing file is replaced."""
    with replacing(out) as draft:
        draft.write_text(to_html(report), encoding="utf-8")


def write_pdf(report: Report, out: Path) -> None:
    """Write the same page as PDF, A4; an existing file is replaced.

    Raises
    ------
    MissingSystemLibraryError
        WeasyPrint, or a library of the system that it needs, is missing.
    """
    library = _weasyprint()
    # The page may read what it holds itself, and nothing from disk or network.
    fetcher = library.URLFetcher(allowed_protocols=("data",))
    with replacing(out) as draft:
        page = library.HTML(string=to_html(report), url_fetcher=fetcher)
        page.write_pdf(draft, pdf_identifier=b"terrain report")


def check_pdf() -> None:
    """Raise unless PDF can be written; call it before the work, not after."""
    _weasyprint()


def _weasyprint() -> Any:
    logging.getLogger("weasyprint").addHandler(logging.NullHandler())
    try:
        import weasyprint
    except ImportError as error:
        raise MissingSystemLibraryError(
            "PDF: the Python package weasyprint is not installed, expected `pip install 'terrain-steppability[pdf]'`; "
            "or leave --pdf out and print the page from a browser"
        ) from error
    except OSError as error:
        raise MissingSystemLibraryError(
            f"PDF: a library of the system is missing ({str(error).splitlines()[0]}), expected Pango; on Debian "
            "`apt-get install libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0`; or leave --pdf out and print the "
            "page from a browser"
        ) from error
    return weasyprint
