"""The sheet that proposes an instrument's settings to whoever may change them: one printed side."""

from collections.abc import Mapping
from typing import Any

import pandas as pd

from reports import style
from reports.marts import Judged, Marts, judged
from reports.page import Page
from reports.pages.locating_settings import say as settle
from reports.pages.locating_settings import standing, why_open
from reports.pages.sheet import find_row, one, say
from shared import dictionary
from shared.settings import Settings
from shared.units import VELOCITY_PCT

CONVENTIONS = ("m_per_us", "half_m_per_us", "ft_per_us", "half_ft_per_us")
"""Conventions of a velocity setting besides percent of c, in the order of the columns."""
CLASSES, WINDOWS = 5, 4
"""Cable classes and open windows that fit on one side; the sheet of the instrument has all."""


def build(marts: Marts, settings: Settings, ident: str) -> Page:
    """The sheet of an instrument's proposals.

    Raises
    ------
    UserError
        There is no such instrument.

    Notes
    -----
    Checked by: tests/end_to_end/test_sheets.py (through render_sheet)
    """
    find_row(marts, "marts.instrument_bias", "instrument_id", ident)
    bias, drift, entered = (
        one(marts, table, "instrument_id", ident)
        for table in ("marts.instrument_bias", "marts.instrument_drift", "staging.instruments")
    )
    found, as_of = judged(marts, "locating"), settings.general.as_of
    rows = marts.read_only("marts.setting_proposals", "instrument_id", [ident]).sort_values("digs", ascending=False)
    undecided = [row for row in rows.head(CLASSES).to_dict("records") if row["verdict"] == "too_few_readings"]
    missing = "; ".join(say(f"proposal.{row['verdict_reason']}", row=row) for row in undecided)
    windows = marts.read_only("marts.open_windows", "instrument_id", [ident]).to_dict("records")
    why = why_open(ident, bias._asdict(), found)
    is_out, fault = bias.verdict == "out_of_tolerance", found.of("instrument_fault", ident)
    changes = [change(row, found, settings) for row in rows.head(CLASSES).to_dict("records")]
    left = say(any(line[-1] == say.text("proposal.offset_alone") for line in changes) and "proposal.offset_alone_why")
    values = {"bias": bias, "ident": ident, "as_of": as_of, "entered": entered, "n": len(windows), "fault": fault}
    paper = {
        "ident": ident,
        "standing": (standing(bias, drift, settings), settle(bool(why) and "open.alone", why=why)),
        "changes": changes,
        "missing": " ".join(filter(None, (left, say(bool(undecided) and "proposal.missing", missing=missing)))),
        "not_listed": say(len(rows) > CLASSES and "proposal.not_listed", n=len(rows) - CLASSES),
        "zero": say("proposal.zero" if bias.readings else "proposal.no_zero", **values),
        "lead": say("proposal.lead" if not pd.isna(getattr(entered, "lead_length_m", None)) else "proposal.no_lead",
                    **values),
        "is_withdrawn": is_out,
        "withdrawal": say("proposal.withdraw" if is_out else "proposal.keep", **values),
        "windows": [say("proposal.window", row=row) for row in windows[:WINDOWS]],
        "windows_said": say("proposal.windows" if windows else "proposal.no_windows", **values),
        "tolerance": say("proposal.tolerance", terms=settings.locating),
        "caution": dictionary.caveats()["setting_is_a_proposal"],
    }  # fmt: skip
    return Page(
        "proposal", say("proposal.title", ident=ident), say("proposal.question"), (), (), paper=paper, is_dense=True
    )


def change(row: Mapping[Any, Any], found: Judged, settings: Settings) -> list[str]:
    """A line of the table: class, setting in use, setting proposed with limits and in every convention, what to do.

    The verdict holds setting and offset together: a setting that by itself reads within the tolerance is left.
    """
    is_offset = row["verdict"] == "out_of_tolerance" and abs(row["reads_long_pct"]) <= settings.locating.tolerance_pct
    name = f"{row['instrument_id']}, {row['cable_class']}"
    proposed = row["setting_proposed_pct"]
    return [
        row["cable_class"],
        style.number(row["setting_median_pct"], 1),
        say("proposal.reads", size=abs(row["reads_long_pct"]), how=found.of("setting_reads", name)),
        style.number(proposed, 1),
        style.limits(row["setting_proposed_lo"], row["setting_proposed_hi"], 1),
        *(style.number(proposed / VELOCITY_PCT[way], 1) for way in CONVENTIONS),
        say("proposal.offset_alone" if is_offset else f"proposal.{row['verdict']}"),
    ]
