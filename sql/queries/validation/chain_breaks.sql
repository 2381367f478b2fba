-- One row is a section that at some date does not join on to the one before: a gap, a fork or another terminal.
-- Reads: sections_together, known_loops, known_districts, raw.section_successors
-- Key: section_id
-- Units: in words
-- Why: the chain is looked at on the day records begin and on each day after it on which a section of the loop comes or
-- goes; a section without a date of installation was always there; of several breaks the one that stands last is told. A cable
-- replaced under its id ends where the next begins; a loop of which sections were split, merged or renumbered is looked at
-- since the last of these days, for the positions before it may be others
with

-- a section is in the chain from the day it was laid to the day before it was taken out, so that successors do not meet
cables as (
    select
        *,
        coalesce(cable_no, 1) as cable,
        coalesce(
            case when is_install_year_only then date_trunc('year', installed_on)::date else installed_on end,
            date '0001-01-01'
        ) as start_on
    from sections_together
    where section_id is not null
        and position is not null
    qualify row_number() over (
        partition by section_id, coalesce(cable_no, 1) order by newness desc, file_no desc, place desc
    ) = 1
    and coalesce(cable_no, 1) <= first_value(coalesce(cable_no, 1)) over (
        partition by section_id order by newness desc, file_no desc, place desc
    )
),

changes as (
    select
        old_id as section_id,
        "on",
        new_id <> old_id as is_leaving
    from raw.section_successors
    where coalesce(decision, 'apply') = 'apply'
    union all
    select
        new_id as section_id,
        "on",
        false as is_leaving
    from raw.section_successors
    where coalesce(decision, 'apply') = 'apply'
),

leavings as (
    select
        section_id,
        min("on") as left_on
    from changes
    where is_leaving
        and section_id not in (select stayed.section_id from changes as stayed where not stayed.is_leaving)
    group by section_id
),

latest as (
    select
        cables.*,
        least(
            coalesce(cables.retired_on, date '9999-12-31'),
            lead(cables.start_on, 1, date '9999-12-31') over (partition by cables.section_id order by cables.cable),
            coalesce(leavings.left_on, date '9999-12-31')
        ) as end_on
    from cables
    -- one row an id
    left join leavings on leavings.section_id = cables.section_id
),

regrouped as (
    select
        latest.loop_id,
        max(changes."on") as last_on
    from changes
    -- grouped to one row a loop
    inner join latest on latest.section_id = changes.section_id
    group by latest.loop_id
),

begun as (
    select
        loops.loop_id,
        greatest(districts.recorded_from, regrouped.last_on) as recorded_from
    from known_loops as loops
    -- a loop is of one district
    inner join known_districts as districts on districts.district_id = loops.district_id
    -- one row a loop
    left join regrouped on regrouped.loop_id = loops.loop_id
),

dates as (
    select
        latest.loop_id,
        greatest(latest.start_on, coalesce(begun.recorded_from, latest.start_on)) as day
    from latest
    -- one row a loop
    left join begun on begun.loop_id = latest.loop_id
    union
    select
        latest.loop_id,
        latest.end_on as day
    from latest
    -- one row a loop
    left join begun on begun.loop_id = latest.loop_id
    where latest.end_on < date '9999-12-31'
        and latest.end_on > coalesce(begun.recorded_from, date '0001-01-01')
),

spells as (
    select
        *,
        lead(day, 1, date '9999-12-31') over (partition by loop_id order by day) as until
    from dates
),

neighbours as (
    select
        latest.section_id,
        latest.loop_id,
        latest.position,
        latest.from_terminal_id,
        spells.day,
        spells.until,
        lag(latest.position) over along as position_before,
        lag(latest.to_terminal_id) over along as terminal_before
    from spells
    -- a section once for every spell it was in service
    inner join latest
        on latest.loop_id = spells.loop_id
        and latest.start_on <= spells.day
        and spells.day < latest.end_on
    window along as (partition by latest.loop_id, spells.day order by latest.position, latest.section_id)
),

broken as (
    select
        *,
        case
            when position_before is null then 'it begins at position ' || position
            when position = position_before then 'two sections in service at position ' || position
            when position > position_before + 1
                then 'no section between positions ' || position_before || ' and ' || position
            else 'position ' || position || ' starts at ' || from_terminal_id || ', position ' || position_before
                || ' ends at ' || terminal_before
        end as breaks
    from neighbours
    where (position_before is null and position > 1)
        or position = position_before
        or position > position_before + 1
        or from_terminal_id <> terminal_before
),

lasting as (
    select
        section_id,
        loop_id,
        breaks,
        min(day) as since,
        max(until) as until,
        sum(until - day) as days
    from broken
    group by section_id, loop_id, breaks
),

-- days by which a section may follow its predecessor too early or too late without a break; a year by year alone
tolerances as (
    select
        loop_id,
        case when bool_or(is_install_year_only) then 366 else 31 end as tolerated
    from latest
    group by loop_id
)

select
    lasting.section_id,
    lasting.breaks || case
        when lasting.until < date '9999-12-31' then ', from ' || lasting.since || ' to ' || lasting.until
        when lasting.since > coalesce(begun.recorded_from, date '0001-01-01') then ', since ' || lasting.since
        else ''
    end as breaks
from lasting
-- one tolerance and one day of beginning a loop
inner join tolerances on tolerances.loop_id = lasting.loop_id
left join begun on begun.loop_id = lasting.loop_id
where lasting.days > tolerances.tolerated
qualify row_number() over (
    partition by lasting.section_id order by lasting.until desc, lasting.since, lasting.breaks
) = 1
