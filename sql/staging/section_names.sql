-- One row is a period in which an id, where it has not meant one section all the time, means one.
-- Reads: staging.sections, staging.section_successors
-- Key: named_id, from_on
-- Units: dates, the last day left out
-- Why: a job names the id it knows. It is led to the cable that was in service under that id on its day; else to the one that
-- was in service among what came before or after it; where those are several it cannot be told which, and the loop is known
-- alone. The day of a replacement belongs to the cable taken out. Periods of an id do not overlap
with recursive

links as (
    select
        old_section_id as old_id,
        new_section_id as new_id
    from staging.section_successors
    where kind <> 'renumbered'
),

ahead as (
    select
        old_id as one_id,
        new_id as other_id
    from links
    union
    select
        ahead.one_id,
        links.new_id as other_id
    from ahead
    -- meant to give every step; union ends a circle
    inner join links on links.old_id = ahead.other_id
),

aliases as (
    select
        old_id as one_id,
        new_section_id as other_id
    from staging.section_successors
    where kind = 'renumbered'
),

related as (
    select
        one_id,
        other_id
    from ahead
    union
    select
        other_id as one_id,
        one_id as other_id
    from ahead
    union
    select
        one_id,
        other_id
    from aliases
    union
    -- what the renumbered cable came from and became is so under its old id too
    select
        aliases.one_id,
        if(ahead.one_id = aliases.other_id, ahead.other_id, ahead.one_id) as other_id
    from aliases
    -- meant to give every relative
    inner join ahead on aliases.other_id in (ahead.one_id, ahead.other_id)
),

several as (
    select named_id
    from staging.sections
    group by named_id
    having count(*) > 1 or bool_or(section_id <> named_id)
    union
    select one_id as named_id
    from related
),

candidates as (
    select
        several.named_id,
        sections.section_id,
        true as is_own,
        coalesce(sections.in_service_from, date '0001-01-01') as from_on,
        coalesce(sections.retired_on + 1, date '9999-12-31') as until_on
    from several
    -- meant to give every cable under the id
    inner join staging.sections as sections on sections.named_id = several.named_id
    union
    select
        related.one_id as named_id,
        sections.section_id,
        false as is_own,
        coalesce(sections.in_service_from, date '0001-01-01') as from_on,
        coalesce(sections.retired_on + 1, date '9999-12-31') as until_on
    from related
    -- meant to give every cable of every relative
    inner join staging.sections as sections
        on related.other_id in (sections.section_id, sections.named_id)
        and related.one_id <> sections.named_id
),

days as (
    select
        named_id,
        from_on as day
    from candidates
    union
    select
        named_id,
        until_on as day
    from candidates
    union
    select
        named_id,
        date '0001-01-01' as day
    from candidates
),

periods as (
    select
        named_id,
        day as from_on,
        lead(day) over (partition by named_id order by day) as until_on
    from days
),

found as (
    select
        periods.named_id,
        periods.from_on,
        periods.until_on,
        -- of two cables on the day of a replacement, the one taken out
        arg_min(candidates.section_id, candidates.from_on) filter (
            candidates.is_own and candidates.from_on <= periods.from_on and candidates.until_on > periods.from_on
        ) as own_id,
        min(candidates.section_id) filter (
            candidates.from_on <= periods.from_on and candidates.until_on > periods.from_on
        ) as related_id,
        count(*) filter (
            candidates.from_on <= periods.from_on and candidates.until_on > periods.from_on
        ) as in_service,
        arg_min(candidates.section_id, candidates.from_on) filter (
            candidates.is_own and candidates.from_on > periods.from_on
        ) as next_id,
        arg_max(candidates.section_id, candidates.from_on) filter (candidates.is_own) as last_id
    from periods
    -- every candidate of the id is weighed in every period, and grouped to one row a period
    inner join candidates on candidates.named_id = periods.named_id
    where periods.until_on is not null
    group by periods.named_id, periods.from_on, periods.until_on
)

select
    named_id,
    from_on,
    until_on,
    case
        when own_id is not null then own_id
        when in_service = 1 then related_id
        when in_service = 0 then coalesce(next_id, last_id, named_id)
    end as section_id
from found
