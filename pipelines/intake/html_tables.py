"""Tables of HTML, as programs save them under the name of a workbook."""

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from pipelines.intake.text_records import find_encoding
from shared.errors import UserError

MOST_BYTES = 256 << 20
MOST_SPANNED = 1_000


def is_html(path: Path, label: str) -> bool:
    """Whether a file that is named as a workbook is a page of HTML.

    Raises
    ------
    UserError
        It is the XML that spreadsheets wrote in 2003.

    Notes
    -----
    Checked by: tests/unit/test_intake_formats.py (through load_paths)
    """
    with path.open("rb") as handle:
        head = handle.read(4096).removeprefix(b"\xef\xbb\xbf").lstrip()
    if not head.startswith(b"<"):
        return False
    if b"office:spreadsheet" in head:
        raise UserError("the workbook is XML of 2003", label, "open it and save it as .xlsx, or as CSV")
    return True


def html_tables(path: Path, label: str) -> dict[str, list[Any]]:
    """Rows of each table of a page, by its caption or id, else its number; those that hold tables are layout.

    Raises
    ------
    UserError
        The page is too large or holds no table.

    Notes
    -----
    Checked by: tests/unit/test_intake_formats.py (through load_paths)
    """
    from lxml import html

    if path.stat().st_size > MOST_BYTES:
        raise UserError(f"the page is larger than {MOST_BYTES >> 20} MB", label, "open it and save it as CSV")
    data = path.read_bytes()
    said = re.search(rb"charset\s*=\s*[\"']?([\w.:-]+)", data[:4096])
    try:
        text = data.decode(said[1].decode() if said else find_encoding(data)[0], "replace")
    except LookupError:
        text = data.decode(find_encoding(data)[0], "replace")
    parser = html.HTMLParser(encoding="utf-8")
    page = html.document_fromstring(text.encode("utf-8", "replace"), parser=parser)
    found: dict[str, list[Any]] = {}
    for number, table in enumerate(page.xpath("//table[not(.//table)]"), start=1):
        named = " ".join(table.xpath("string(caption)").split()) or table.get("id") or f"table {number}"
        found.setdefault(named, table.xpath(".//tr"))
    if not found:
        raise UserError("the page of HTML holds no table", label, "export the table again, as CSV")
    return found


def row_cells(row: Any) -> Iterator[str]:
    """Texts of a row; a cell that spans columns is followed by blank ones."""
    for cell in row.xpath("td|th"):
        yield " ".join(cell.text_content().split())
        span = cell.get("colspan", "1")
        yield from [""] * (min(int(span), MOST_SPANNED) - 1 if span.isdecimal() else 0)
