"""Writes the report pages: reads the marts, asks each page module for its page, renders, writes.

The last good reports stay until every new page is made.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from reports import changes
from reports import page as shell
from reports.marts import Marts
from reports.pages import data_quality, index, locating, methods, reference, replacement, restoration
from shared.errors import UserError

if TYPE_CHECKING:
    import duckdb

    from shared.settings import Settings

PAGES = (
    ("index", "In short"),
    ("replacement", "Replacement"),
    ("restoration", "Restoration"),
    ("locating", "Locating"),
    ("data_quality", "Data quality"),
)
"""Pages in the order of the navigation: file stem and name."""

REFERENCES = (("methods", "Methods"), ("dictionary", "Data dictionary"), ("rules", "Rules"), ("settings", "Settings"))
"""Pages to look things up in, made from the code and the settings."""


def write_reports(con: duckdb.DuckDBPyConnection, settings: Settings, folder: Path) -> list[Path]:
    """Write every report page and the files they share.

    Parameters
    ----------
    con
        The warehouse, marts built.
    settings
        general.as_of is set.
    folder
        Where the pages go; made when it is not there.

    Returns
    -------
    list of Path
        Files written, in the order of the navigation, the shared files last.

    Raises
    ------
    UserError
        The folder cannot be written.

    Notes
    -----
    Same warehouse and settings, same bytes.

    Checked by: tests/unit/test_reports_site.py, tests/end_to_end/test_reports_browser.py
    """
    marts = Marts(con)
    now = changes.key_figures(marts, settings)
    before, kept = changes.remember(folder, now)
    texts = render_pages(marts, settings, changes.in_words(before, now))
    texts[changes.FILE] = kept
    files = {name: text.encode() for name, text in texts.items()} | shell.shared_files()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, content in files.items():
            (folder / f"{name}.new").write_bytes(content)
        for name in files:
            (folder / f"{name}.new").replace(folder / name)
    except OSError as fault:
        raise UserError(
            f"the reports cannot be written: {fault.strerror}",
            str(folder),
            "close programs that hold the pages and check that the folder may be written, then: loopwear refresh",
        ) from None
    return [folder / name for name in files]


def render_pages(marts: Marts, settings: Settings, changed: tuple[str, ...] = ()) -> dict[str, str]:
    """Every page as HTML, by file name."""
    frame = shell.Frame(
        as_of=settings.general.as_of,
        level=settings.general.interval_coverage,
        horizon_years=settings.general.horizon_years,
        currency=settings.general.currency,
        pages=PAGES,
        references=REFERENCES,
    )
    answers = tuple(module.answer(marts, settings) for module in (replacement, restoration, locating))
    texts = {"index.html": shell.render_index(index.build(marts, settings), answers, frame, changed)}
    for module in (replacement, restoration, locating, data_quality):
        made = module.build(marts, settings)
        texts[f"{made.key}.html"] = shell.render(made, frame)
    looked_up = (reference.build_dictionary(), reference.build_rules(), reference.build_settings(settings))
    for reference_page in (methods.build(settings), *looked_up):
        texts[f"{reference_page.key}.html"] = reference.render(reference_page, frame)
    return texts
