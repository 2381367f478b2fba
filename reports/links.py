"""Where an id, a page or the rows behind a mark lead: to addresses where pages are served, to files where they lie.

Figures and tables name what a mark leads to by a token: `loop:ID`, `section:ID`, `job:ID`, `instrument:ID`,
`proposal:ID`, `page:NAME#FIGURE`, or rows such as `jobs?method=thump` and `readings?cable_class=...`. Links turn tokens
into addresses.
"""

from dataclasses import dataclass
from urllib.parse import quote

KINDS = ("loop", "section", "job", "instrument", "proposal")
"""What has a sheet; a column KIND_id links to it. A proposal goes by the id of its instrument."""

SHEET_COLUMNS = {f"{kind}_id": kind for kind in KINDS} | {"joined_with": "job", "called_section_id": "section"}
"""Columns whose cells lead to a sheet, and its kind."""


GROUP_COLUMNS = {
    "district": "district_id", "method": "method", "cable_class": "cable_class", "year": "reported_year",
    "configuration": "configuration", "loop_size": "loop_size",
}  # fmt: skip
"""Groupings of jobs, and the column of closed_jobs that holds the name of a job's group."""


def jobs_of(grouping: str = "all", name: object = "", stage: object = "") -> str | None:
    """Token of the jobs of a group; of a stage those that have its length, the longest first. None: no such list.

    Checked by: tests/unit/test_reports_links.py
    """
    column = GROUP_COLUMNS.get(grouping)
    if column is None and grouping != "all":  # crews, for one, are published nowhere
        return None
    said = [f"{column}={quote(str(name))}"] if column else []
    said += [f"has={stage}_min", f"by=-{stage}_min"] if stage else []
    return "?".join(filter(None, ("jobs", "&".join(said))))


def jobs_listed(ids: str) -> str:
    """Token of some jobs, their ids with a blank between them."""
    return f"jobs?{'&'.join(f'job_id={quote(ident)}' for ident in ids.split())}"


def sheet_file(kind: str, ident: str) -> str:
    """Name of the file of a sheet; what is no letter, digit, dot or hyphen is written by its number.

    Checked by: tests/unit/test_reports_links.py
    """
    safe = "".join(c if c.isascii() and (c.isalnum() or c in ".-") else f"_{ord(c):x}_" for c in ident)
    return f"{kind}-{safe}.html"


@dataclass(frozen=True)
class Links:
    """Addresses of a page's surroundings.

    Parameters
    ----------
    is_served
        Pages are served by browse: every sheet and every list of rows has an address.
    files
        Names of the files beside the page, where it is written to a folder: what is not among them has no link.
    query
        The choice of the page, which the links to other pages and to rows carry on.
    """

    is_served: bool = False
    files: frozenset[str] = frozenset()
    query: str = ""

    def page(self, key: str) -> str:
        """Address of a page, of the same choice where it is served; nothing where its file is not there."""
        if not self.is_served:
            name = f"{key}.html"
            return name if name in self.files else ""
        return ("/" if key == "index" else f"/{key}") + (f"?{self.query}" if self.query else "")

    def sheet(self, kind: str, ident: str) -> str:
        """Address of a sheet; nothing where there is none."""
        if self.is_served:
            return f"/{kind}/{quote(ident, safe='')}"
        name = sheet_file(kind, ident)
        return name if name in self.files else ""

    def rows(self, kind: str, query: str = "") -> str:
        """Address of a list of rows, of the page's choice and a condition; nothing where pages are files."""
        joined = "&".join(filter(None, (self.query, query)))
        return f"/rows/{kind}" + (f"?{joined}" if joined else "") if self.is_served else ""

    def resolve(self, token: str | None) -> str:
        """Address of a token; nothing for none and for what has no address."""
        if not token:
            return ""
        kind, mark, ident = token.partition(":")
        if mark and kind == "page":
            page, _, exhibit = ident.partition("#")
            return f"{self.page(page)}#{exhibit}" if self.page(page) else ""
        if mark and kind in KINDS:
            return self.sheet(kind, ident)
        kind, _, query = token.partition("?")
        return self.rows(kind, query)


NOWHERE = Links()
"""Nothing leads anywhere but to the standing pages."""
