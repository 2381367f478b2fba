-- One row is a section that probably came in the place of another, for a person to decide on.
-- Reads: staging.sections, raw.sections, raw.section_successors, raw.loads, core.failures
-- Key: old_id, new_id
-- Units: share of the old section's length
-- Why: what was split, merged or renumbered is on record twice, and its exposure is counted twice, unless the register says
-- what became of it. Told from terminals, lengths, cable and dates; a replacement under another id where jobs name the wrong one
with recursive

first_loads as (
    select
        lines.section_id,
        min(loads.loaded_at)::date as loaded_on
    from raw.sections as lines
    -- one row a load; grouped to one row a section
    inner join raw.loads as loads on loads.load_id = lines.load_id
    group by lines.section_id
),

register as (
    select
        sections.section_id,
        sections.loop_id,
        sections.from_terminal_id,
        sections.to_terminal_id,
        sections.length_m,
        greatest(3, 0.02 * sections.length_m) as slack_m,
        sections.cable_class || ', ' || coalesce(sections.conductor, '') as cable,
        coalesce(sections.installed_on, date '0001-01-01') as laid_on,
        sections.installed_on,
        sections.retired_on,
        first_loads.loaded_on
    from staging.sections as sections
    -- one row a section
    left join first_loads on first_loads.section_id = sections.named_id
    where sections.from_terminal_id is not null
        and sections.to_terminal_id is not null
        and sections.section_id = sections.named_id
),

-- the parts that lead from the start of a section as far as its end, of the same cable laid on the same day
chains as (
    select
        wholes.section_id as whole_id,
        [parts.section_id] as part_ids,
        parts.to_terminal_id as end_id,
        parts.length_m as length_m
    from register as wholes
    -- meant to give every section that begins where it does
    inner join register as parts
        on parts.loop_id = wholes.loop_id
        and parts.from_terminal_id = wholes.from_terminal_id
        and parts.section_id <> wholes.section_id
        and parts.cable = wholes.cable
        and parts.laid_on = wholes.laid_on
        and parts.length_m <= wholes.length_m + wholes.slack_m
    union all
    select
        chains.whole_id,
        list_append(chains.part_ids, parts.section_id) as part_ids,
        parts.to_terminal_id as end_id,
        chains.length_m + parts.length_m as length_m
    from chains
    inner join register as wholes on wholes.section_id = chains.whole_id
    -- meant to give every section that goes on from there; lengths and terminals passed end it
    inner join register as parts
        on parts.loop_id = wholes.loop_id
        and parts.from_terminal_id = chains.end_id
        and parts.section_id <> wholes.section_id
        and parts.cable = wholes.cable
        and parts.laid_on = wholes.laid_on
    where chains.end_id <> wholes.to_terminal_id
        and len(chains.part_ids) < 4
        and chains.length_m + parts.length_m <= wholes.length_m + wholes.slack_m
),

alike as (
    select
        chains.whole_id,
        chains.part_ids,
        chains.length_m
    from chains
    inner join register as wholes on wholes.section_id = chains.whole_id
    where chains.end_id = wholes.to_terminal_id
        and abs(chains.length_m - wholes.length_m) <= wholes.slack_m
    qualify row_number() over (partition by chains.whole_id order by abs(chains.length_m - wholes.length_m), chains.part_ids) = 1
),

pairs as (
    select
        alike.whole_id,
        unnest(alike.part_ids) as part_id,
        len(alike.part_ids) as parts,
        alike.length_m as parts_m,
        array_to_string(alike.part_ids, ' and ') as part_names
    from alike
),

-- which of the two came first: by the day one was taken out, else by the load that brought it
directed as (
    select
        pairs.*,
        wholes.length_m as whole_m,
        parts.length_m as part_m,
        wholes.from_terminal_id,
        wholes.to_terminal_id,
        case
            when wholes.retired_on is not null and parts.retired_on is null then 'whole'
            when parts.retired_on is not null and wholes.retired_on is null then 'parts'
            when wholes.retired_on is not null then 'neither'
            when wholes.loaded_on > parts.loaded_on then 'parts'
            else 'whole'
        end as came_first,
        coalesce(
            wholes.retired_on,
            parts.retired_on,
            case when wholes.loaded_on <> parts.loaded_on then greatest(wholes.loaded_on, parts.loaded_on) end
        ) as "on"
    from pairs
    -- sections are unique by section_id, twice
    inner join register as wholes on wholes.section_id = pairs.whole_id
    inner join register as parts on parts.section_id = pairs.part_id
),

-- jobs that name a section on a day on which it was not in service
misnamed as (
    select
        section_id,
        why_not,
        count(*) as jobs
    from core.failures
    where why_not in ('after_retirement', 'before_installation')
    group by section_id, why_not
),

proposals as (
    select
        if(came_first = 'whole', whole_id, part_id) as old_id,
        if(came_first = 'whole', part_id, whole_id) as new_id,
        case
            when parts = 1 then 'renumbered'
            when came_first = 'whole' then 'split'
            else 'merged'
        end as kind,
        "on",
        if(came_first = 'whole' and parts > 1, round(part_m / whole_m, 3), 1.0) as share,
        concat(
            whole_id, ' (', round(whole_m, 1), ' m) and ', part_names, ' (', round(parts_m, 1), ' m) lead from ',
            from_terminal_id, ' to ', to_terminal_id, ', of one cable laid on one day'
        ) as grounds
    from directed
    -- of two that are one, each is the other's part: the one that came first speaks
    where came_first <> 'neither'
        and (parts > 1 or came_first = 'whole')
        and (parts > 1 or "on" is not null or whole_id < part_id)
    union all
    select
        olds.section_id as old_id,
        news.section_id as new_id,
        'replaced' as kind,
        olds.retired_on as "on",
        1.0 as share,
        concat(
            coalesce(late.jobs, 0), ' jobs name ', olds.section_id, ' after it was taken out and ', coalesce(early.jobs, 0),
            ' name ', news.section_id, ' before it was laid; both lead from ', olds.from_terminal_id, ' to ',
            olds.to_terminal_id
        ) as grounds
    from register as olds
    -- the cable laid next between the same terminals: at most one is kept
    inner join register as news
        on news.loop_id = olds.loop_id
        and news.from_terminal_id = olds.from_terminal_id
        and news.to_terminal_id = olds.to_terminal_id
        and news.section_id <> olds.section_id
        and news.installed_on between olds.retired_on - 366 and olds.retired_on + 366
        and news.installed_on > olds.installed_on
    -- one row a section and reason, twice
    left join misnamed as late on late.section_id = olds.section_id and late.why_not = 'after_retirement'
    left join misnamed as early on early.section_id = news.section_id and early.why_not = 'before_installation'
    where late.jobs is not null or early.jobs is not null
    qualify row_number() over (partition by olds.section_id order by news.installed_on, news.section_id) = 1
)

select
    old_id,
    new_id,
    kind,
    "on",
    share::double as share,
    grounds,
    '' as decision
from proposals
where (old_id, new_id) not in (select (stated.old_id, stated.new_id) from raw.section_successors as stated)
qualify row_number() over (partition by old_id, new_id order by kind) = 1
