"""Local times to instants: where the clock skips an hour or passes it twice, nothing is guessed."""

from __future__ import annotations

import datetime as dt
from functools import cache
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

YEARS = (1960, 2045)
"""Years whose clock changes are looked up."""


def is_zone(name: str) -> bool:
    """Whether a name is a time zone of the IANA data base."""
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return False
    return True


@cache
def change_days(zone: str) -> tuple[dt.date, ...]:
    """Local days on which a zone's clock is changed.

    Notes
    -----
    The offset at noon UTC is compared from day to day; both neighbouring days are kept, so that no zone's change
    falls outside.

    Checked by: tests/unit/test_intake_zones.py
    """
    info = ZoneInfo(zone)
    day = dt.datetime(YEARS[0], 1, 1, 12, tzinfo=dt.UTC)
    found: set[dt.date] = set()
    before = day.astimezone(info).utcoffset()
    while day.year < YEARS[1]:
        day += dt.timedelta(days=1)
        offset = day.astimezone(info).utcoffset()
        if offset != before:
            found.update(day.date() + dt.timedelta(days=shift) for shift in (-1, 0, 1))
        before = offset
    return tuple(sorted(found))


def instant_sql(local: str, zone: str, days: tuple[dt.date, ...]) -> str:
    """SQL of the instant of a local time; null where that local time does not exist or occurs twice.

    Parameters
    ----------
    local
        SQL of a timestamp without zone.
    zone
        SQL of the zone's name.
    days
        Local days on which any zone in question changes its clock.
    """
    instant = f"timezone({zone}, {local})"
    if not days:
        return instant
    listed = ", ".join(f"date '{day}'" for day in days)
    shifts = " or ".join(
        f"timezone({zone}, {instant} {sign} interval {minutes} minute) = {local}"
        for sign in "+-" for minutes in (30, 60)
    )
    return (
        f"case when ({local})::date in ({listed}) and (timezone({zone}, {instant}) <> {local} or {shifts}) "
        f"then null else {instant} end"
    )
