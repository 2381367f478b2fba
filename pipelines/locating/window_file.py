"""Dig windows of many readings: a CSV of readings in, a row of windows each out."""

import csv
import io
import re
from datetime import date
from pathlib import Path

import pandas as pd

from pipelines.locating.correction import ALONG, BY_CLASS
from pipelines.locating.window import find_dig_window, read_way
from pipelines.locating.window_basis import Asked, Basis
from shared.errors import UserError

READINGS_IN = (
    "reading_id", "read_on", "instrument_id", "velocity_setting_pct", "displayed_distance_m", "test_terminal_id",
    "toward_terminal_id", "cable_class", "pulse_ns", "sampling_m",
)  # fmt: skip
WINDOWS_OUT = (
    "reading_id", "way", "corrected_m", "lo_50", "hi_50", "lo_80", "hi_80", "lo_95", "hi_95", "note", "caution",
)  # fmt: skip


BEYOND = "cells beyond the headings"
"""Column of what a row holds more than there are headings; only where one does."""


def read_readings(file: Path) -> pd.DataFrame:
    """Rows of a CSV of readings, all as text; commas, semicolons or tabs part its cells.

    Raises
    ------
    UserError
        No such file, or it lacks a heading.
    """
    try:
        text = file.read_text(encoding="utf-8-sig")
        parted = max(",;\t", key=text.partition("\n")[0].count)
        lines = csv.DictReader(io.StringIO(text), delimiter=parted, restval="", restkey=BEYOND)
        read = list(lines)
        columns = [*(lines.fieldnames or []), *([BEYOND] if any(BEYOND in row for row in read) else [])]
        rows = pd.DataFrame(read, columns=columns)
    except (OSError, ValueError, csv.Error) as problem:
        raise UserError(f"cannot be read: {problem}", str(file), "give a CSV file with a header line") from None
    missing = [name for name in ("reading_id", "displayed_distance_m") if name not in rows]
    if missing:
        raise UserError(f"no column {' and '.join(missing)}", str(file), f"headings: {', '.join(READINGS_IN)}")
    return rows


def answer_readings(basis: Basis, readings: pd.DataFrame, caution: str) -> pd.DataFrame:
    """Windows of many readings, a row each; one that cannot be answered keeps its place with the reason in `note`.

    Parameters
    ----------
    readings
        READINGS_IN, as text.
    caution
        Stands in every row.

    Returns
    -------
    DataFrame
        WINDOWS_OUT, lengths in metres to the millimetre.
    """
    rows = []
    for row in readings.to_dict("records"):
        given = {str(name): text for name in READINGS_IN if (text := str(row.get(name) or "").strip())}
        found: dict[str, object] = {"reading_id": given.get("reading_id", ""), "caution": caution}
        try:
            if isinstance(row.get(BEYOND), list):
                raise UserError("more cells than headings", "", "put a cell that holds a comma in quotes")
            asked = _read_asked(given)
            found["way"] = ALONG if asked.from_terminal else BY_CLASS
            window = find_dig_window(basis, asked, 0.8)
        except UserError as problem:
            rows.append(found | {"note": f"{problem.what}; {problem.remedy}"})
            continue
        found |= {"corrected_m": round(window.corrected_m, 3), "note": " ".join(window.notes)}
        for level, low, high in window.windows:
            found |= {f"lo_{level * 100:.0f}": round(low, 3), f"hi_{level * 100:.0f}": round(high, 3)}
        rows.append(found)
    return pd.DataFrame(rows, columns=list(WINDOWS_OUT))


def _read_asked(given: dict[str, str]) -> Asked:
    """A row of readings as asked; faults as UserError."""

    def number(name: str) -> float | None:
        text = given.get(name)
        if text is None:
            return None
        if re.fullmatch(r"\d{1,3},\d{3}", text):
            raise UserError(f"{name} '{text}' may be thousands or decimals", name, "write it with a decimal point")
        try:
            return float(text.replace(",", "."))
        except ValueError:
            raise UserError(f"{name} '{text}' is no number", name, "give a number") from None

    distance = number("displayed_distance_m")
    if distance is None:
        raise UserError("no displayed_distance_m", "displayed_distance_m", "give metres above 0")
    try:
        on = date.fromisoformat(given["read_on"][:10]) if "read_on" in given else None
    except ValueError:
        raise UserError(f"read_on '{given['read_on']}' is no day", "read_on", "give it as YYYY-MM-DD") from None
    start, toward, cable_class = (given.get(n) for n in ("test_terminal_id", "toward_terminal_id", "cable_class"))
    if start is None and cable_class is None:
        raise UserError("neither terminals nor a cable class", "cable_class", "give the two terminals or a class")
    return Asked(
        distance_m=distance,
        from_terminal=start,
        toward_terminal=toward,
        classes=read_way([cable_class]) if start is None and cable_class else (),
        instrument_id=given.get("instrument_id"),
        velocity_pct=number("velocity_setting_pct"),
        on=on,
        pulse_ns=number("pulse_ns"),
        sampling_m=number("sampling_m"),
    )
