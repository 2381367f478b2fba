"""Nights of the clock change, against the IANA rules for the zone as a calendar prints them."""

from __future__ import annotations

import datetime as dt

import duckdb
import pytest

from pipelines.intake.zones import change_days, instant_sql, is_zone


def test_change_days_are_those_of_the_calendar() -> None:
    # US Energy Policy Act of 2005: second Sunday of March, first Sunday of November, from 2007.
    days = [d for d in change_days("America/Chicago") if d.year in (2018, 2019)]
    assert days == [dt.date(2018, 3, 11), dt.date(2018, 11, 4), dt.date(2019, 3, 10), dt.date(2019, 11, 3)]
    assert change_days("UTC") == ()
    assert [d for d in change_days("America/Phoenix") if d.year > 2000] == []


def test_a_zone_is_known_or_not() -> None:
    assert is_zone("America/Denver") and not is_zone("Central") and not is_zone("../etc/passwd")


@pytest.mark.parametrize(
    "local, instant",
    [
        ("2018-03-11 01:59", "2018-03-11 07:59:00+00"),
        ("2018-03-11 02:00", None),  # skipped: 02:00 to 02:59 does not exist
        ("2018-03-11 02:59", None),
        ("2018-03-11 03:00", "2018-03-11 08:00:00+00"),
        ("2018-11-04 00:59", "2018-11-04 05:59:00+00"),
        ("2018-11-04 01:00", None),  # passed twice
        ("2018-11-04 01:59", None),
        ("2018-11-04 02:00", "2018-11-04 08:00:00+00"),
        ("2018-07-01 02:30", "2018-07-01 07:30:00+00"),
    ],
)
def test_no_hour_is_guessed(local: str, instant: str | None) -> None:
    zone = "America/Chicago"
    with duckdb.connect() as con:
        con.execute("set TimeZone = 'UTC'")
        sql = instant_sql("moment", f"'{zone}'", change_days(zone))
        found = con.execute(f"select ({sql})::varchar from (select timestamp '{local}' as moment)").fetchone()
        assert found == (instant,)


def test_half_hour_changes_are_seen_too() -> None:
    zone = "Australia/Lord_Howe"  # 2018-04-01 02:00 back to 01:30
    with duckdb.connect() as con:
        sql = instant_sql("moment", f"'{zone}'", change_days(zone))
        found = con.execute(f"select {sql} from (select timestamp '2018-04-01 01:45' as moment)").fetchone()
        assert found == (None,)
