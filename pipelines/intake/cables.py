"""Is a row of sections that says another cable under a known id a new cable there, or a correction?"""

from pipelines.intake.share import TableShare
from pipelines.validation.facts import DEFAULT_DATES
from pipelines.validation.register import latest_sql
from shared.errors import UserError

READINGS = ("ask", "new", "correction")
CABLE = ("insulation", "neutral", "installation", "conductor")
SAID = ("section_id", "length_m", *CABLE, "installed_on", "is_install_year_only", "retired_on", "loop_id")


def tell_cables(share: TableShare) -> None:
    """Make ``cable_changes`` and number the cables of ``typed``: which rows begin a new one under their id.

    A row begins one where the register of successors says so; where another cable is said with a later day of
    installation, unless all failures on record are later still; where failures on record are older than the later day;
    and where the one before was retired by then. Where it could be either, the mapping or the settings decide, else
    the row is set aside with what each reading would do (rule cable_changed).

    Notes
    -----
    A day that a year was refined to, a value that was unknown and a day moved by less than a year are corrections.

    Checked by: tests/unit/test_intake_cables.py (through load_paths)
    """
    con = share.con
    con.execute(
        "create or replace temp table cable_changes (rid BIGINT, verdict VARCHAR, cable_no BIGINT, told VARCHAR)"
    )
    if not share.has_rows() and len(share.files) == 1:
        return
    con.execute(f"create or replace temp table cable_steps as {_steps_sql()}")
    if con.execute("select 1 from cable_steps limit 1").fetchone():
        con.execute(f"insert into cable_changes {_verdicts_sql(share)}")
        con.execute(
            "update typed set cable_no = c.cable_no from cable_changes as c "
            "where c.rid = typed.rowid and c.cable_no > 1"
        )
    con.execute("drop table cable_steps")


def _readings(share: TableShare) -> str:
    """SQL of each file's reading of a changed cable: the mapping's, else the settings'."""
    general = share.settings.intake.changed_cable
    if general not in READINGS:
        raise UserError(
            f"'{general}' is no reading of a changed cable",
            "setting intake.changed_cable",
            "give ask, new or correction",
        )
    rows = ", ".join(f"({n}, '{file.source.changed_cable or general}')" for n, file in enumerate(share.files))
    return f"select * from (values {rows}) as v(file_no, reading)"


def _steps_sql() -> str:
    """SQL of each row that says something new of a known section, with what was said before it."""
    listed = ", ".join(SAID)
    was = ", ".join(f"lag({c}) over in_order as was_{c}" for c in SAID)
    return f"""
        with ours as (
            select rowid as rid, file_no, row_number, {listed}, content_hash from typed
            where rowid not in (select rid from exempt) and section_id is not null
        ),
        standing as (
            select * from ({latest_sql("sections", (*SAID, "cable_no", "load_id"))})
            where section_id in (select section_id from ours)
        ),
        said as (
            select rid, file_no, row_number, {listed}, content_hash, null::bigint as stood_no, null as load_id from ours
            union all
            select null, -1, 0, {listed}, null, coalesce(cable_no, 1), load_id from standing
        )
        select *, {was}, first_value(coalesce(stood_no, 1)) over in_order as first_no,
            first_value(load_id) over in_order as stood_since
        from said window in_order as (partition by section_id order by file_no, row_number)
        qualify rid is not null and was_section_id is not null
    """


def _verdicts_sql(share: TableShare) -> str:
    known = {c: f"nullif({{}}.{c}, 'unknown')" for c in ("neutral", "installation")}
    known |= {"insulation": "{}.insulation", "conductor": "lower(regexp_replace({}.conductor, '\\s', '', 'g'))"}
    differing = []
    for column in CABLE:
        now, was = known[column].format("c"), known[column].format("c").replace(f"c.{column}", f"c.was_{column}")
        differing.append(f"case when {now} <> {was} then concat('{column} ', c.was_{column}, ' to ', c.{column}) end")
    defaults = ", ".join(f"date '{d}'" for d in DEFAULT_DATES)
    return f"""
        with states as (
            select c.*, nullif(concat_ws(', ', {", ".join(differing)}), '') as differing,
                c.was_installed_on not in ({defaults}) and case
                    when c.is_install_year_only or c.was_is_install_year_only
                        then year(c.installed_on) > year(c.was_installed_on)
                    else c.installed_on > c.was_installed_on
                end as is_later,
                {_class("c.")} as cable_class, {_class("c.was_")} as was_class,
                r.reading
            from cable_steps as c join ({_readings(share)}) as r on r.file_no = c.file_no
        ),
        changed as (
            select s.*, coalesce(s.is_later, false) as later,
                (select any_value(coalesce(r.cable_no, 1)) from raw.sections as r
                    where r.section_id = s.section_id and r.content_hash = s.content_hash) as former_no,
                case when s.differing is not null or s.is_later or s.length_m <> s.was_length_m then (
                    select max(x."on") from raw.section_successors as x
                    where x.new_id = s.section_id and regexp_replace(x.old_id, '@[0-9-]+$', '') = s.section_id
                        and coalesce(x.decision, 'apply') = 'apply'
                        and (s.first_no = 1 or x.load_id > s.stood_since)
                ) end as stated_on
            from states as s
        ),
        dated as (
            select *, if(later, installed_on, coalesce(stated_on, installed_on)) as begins_on,
                coalesce(differing, if(later, 'laid ' || installed_on, concat(
                    'length_m ', was_length_m, ' to ', length_m
                ))) as said
            from changed
        ),
        jobs as (
            select section_id, reported_at::date as day,
                coalesce(cause, 'unknown') not in ('dig_in', 'animal', 'vehicle')
                and coalesce(failed_component, 'unknown') in ('cable', 'splice', 'unknown') as is_failure
            from ({latest_sql("jobs", ("section_id", "reported_at", "cause", "failed_component", "status"))})
            where coalesce(status, 'closed') = 'closed' and section_id in (
                select section_id from dated where differing is not null or later or stated_on is not null
            )
        ),
        seen as (
            select c.rid, count(j.day) as jobs, count(j.day) filter (j.day < c.begins_on) as jobs_before,
                count(j.day) filter (j.is_failure) as failures,
                count(j.day) filter (j.is_failure and j.day < c.begins_on) as failures_before
            -- those of an earlier cable say nothing of this one
            from dated as c left join jobs as j
            on j.section_id = c.section_id and coalesce(j.day >= c.was_installed_on, true) group by c.rid
        ),
        verdicts as (
            select c.*, s.failures, s.failures_before, case
                when c.stated_on is not null then 'new'
                when c.former_no is not null or (c.differing is null and not c.later) then 'correction'
                -- a free text said in other words, and days that contradict each other, tell of no other cable
                when starts_with(c.differing, 'conductor ') and not c.later then 'correction'
                when c.retired_on < c.installed_on then 'correction'
                when c.reading = 'correction' then 'correction'
                when c.was_retired_on <= c.installed_on then 'new'
                when c.later and c.reading = 'new' then 'new'
                when c.later and s.jobs_before > 0 then 'new'
                when c.later and c.differing is not null and s.jobs = 0 then 'new'
                when c.later and c.differing is null and c.installed_on - c.was_installed_on < 366 then 'correction'
                else 'ask'
            end as verdict,
            d.recorded_from, ended.last_day
            from dated as c join seen as s on s.rid = c.rid
            left join ({latest_sql("loops", ("loop_id", "district_id"))}) as l on l.loop_id = c.loop_id
            left join ({latest_sql("districts", ("district_id", "recorded_from"))}) as d
            on d.district_id = l.district_id
            cross join (select coalesce(max(reported_at)::date, current_date) as last_day from raw.jobs) as ended
        ),
        measured as (
            select *, {_km_years("was_length_m", "was_installed_on", "least(begins_on, last_day)")} as km_years_kept,
                {_km_years("was_length_m", "was_installed_on", "last_day")} as km_years_moved,
                {_km_years("length_m", "installed_on", "last_day")} as km_years_corrected
            from verdicts
        )
        select rid, verdict,
            coalesce(former_no, first_no + sum((verdict = 'new')::int) over (
                partition by section_id order by file_no, row_number
            ))::bigint,
            case
                when verdict = 'new' then concat(
                    section_id, ' (', said, '): ',
                    {_failures("failures_before")}, ' and ', km_years_kept, ' km-years stay with the old cable, ',
                    section_id, '@', least(was_retired_on, begins_on)
                )
                when verdict = 'ask' and later then concat(
                    coalesce(differing || ', ', ''), 'installed_on ', was_installed_on, ' to ', installed_on,
                    ': as a new cable, ', failures_before, ' of ', {_failures("failures")}, ' and ', km_years_kept,
                    ' km-years stay with the old one, ', section_id, '@', installed_on, ', of class ', was_class,
                    '; as a correction, ', {_failures("failures - failures_before")}, ' and ', km_years_corrected,
                    ' km-years count for class ', cable_class, ' laid ', installed_on
                )
                when verdict = 'ask' then concat(
                    differing, ': as a new cable, ', {_failures("failures")}, ' and ', km_years_moved,
                    ' km-years stay with class ', was_class, ', and its row must say a later installed_on; as a '
                    'correction, they move to class ', cable_class
                )
            end
        from measured
    """


def _failures(number: str) -> str:
    return f"({number}) || if({number} = 1, ' failure', ' failures')"


def _class(prefix: str) -> str:
    return (
        f"{prefix}insulation || '/' || coalesce({prefix}neutral, 'unknown') || '/' || "
        f"coalesce({prefix}installation, 'unknown')"
    )


def _km_years(length: str, begin: str, end: str) -> str:
    """SQL of the exposure of a length from its installation, or from when records begin, to a day; two decimals."""
    years = f"greatest(date_diff('day', greatest({begin}, recorded_from), {end}), 0) / 365.25"
    return f"format('{{:.2f}}', coalesce({length} / 1000 * {years}, 0))"
