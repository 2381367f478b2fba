"""Local times to instants: where the clock skips an hour or passes it twice, nothing is guessed."""

import datetime as dt
from functools import cache
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

YEARS = (1970, 2040)
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
    The offset at noon UTC is compared from day to day; between two that differ the moment is sought by halving, and
    the local days on both sides of it are kept.

    Checked by: tests/unit/test_intake_zones.py
    """
    info = ZoneInfo(zone)
    day = dt.datetime(YEARS[0], 1, 1, 12, tzinfo=dt.UTC)
    found: set[dt.date] = set()
    before = day.astimezone(info).utcoffset()
    while day.year < YEARS[1]:
        after = (day + dt.timedelta(days=1)).astimezone(info).utcoffset()
        if after != before:
            found.update(_days_of_change(info, day))
        day += dt.timedelta(days=1)
        before = after
    return tuple(sorted(found))


def _days_of_change(info: ZoneInfo, start: dt.datetime) -> set[dt.date]:
    """Local days just before and after the change within the day that follows ``start``."""
    low, high = start, start + dt.timedelta(days=1)
    offset = low.astimezone(info).utcoffset()
    while high - low > dt.timedelta(minutes=1):
        middle = low + (high - low) / 2
        if middle.astimezone(info).utcoffset() == offset:
            low = middle
        else:
            high = middle
    return {low.astimezone(info).date(), high.astimezone(info).date()}


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
        for sign in "+-"
        for minutes in (30, 60)
    )
    return (
        f"case when ({local})::date in ({listed}) and (timezone({zone}, {instant}) <> {local} or {shifts}) "
        f"then null else {instant} end"
    )
