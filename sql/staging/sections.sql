-- One row is a section: one installed cable between two neighbouring terminals.
-- Reads: raw.sections, staging.section_successors, settings.classes
-- Key: section_id
-- Units: metres, UTC, percent of c (the dictionary)
-- Why: the row that arrived last stands for its cable. A cable replaced under its id is called ID@DAY, the day it was taken
-- out; one split or merged leaves on that day and its successors come in; one renumbered is in under its last id alone
with

-- the last row of each cable; what a later row of an earlier cable took back is out
latest as (
    select
        *,
        coalesce(cable_no, 1) as cable,
        arg_max(installed_on, load_sequence) over (partition by section_id, coalesce(cable_no, 1)) as laid_on,
        insulation || '/' || coalesce(neutral, 'unknown') || '/' || coalesce(installation, 'unknown') as parts
    from raw.sections
    qualify row_number() over (partition by section_id, coalesce(cable_no, 1) order by load_sequence desc) = 1
        and coalesce(cable_no, 1)
        <= first_value(coalesce(cable_no, 1)) over (partition by section_id order by load_sequence desc)
),

-- where the same id goes on, with another cable or a part of the old one
own_successors as (
    select
        old_id as section_id,
        "on"
    from staging.section_successors
    where old_id = new_id
),

begun as (
    select
        latest.*,
        case
            when latest.cable = 1 then latest.laid_on
            when latest.laid_on > lag(latest.laid_on, 1, date '0001-01-01') over cables then latest.laid_on
            else coalesce(own_successors."on", latest.laid_on)
        end as begun_on
    from latest
    -- one row an id
    left join own_successors on own_successors.section_id = latest.section_id
    window cables as (partition by latest.section_id order by latest.cable)
),

ended as (
    select
        * exclude (retired_on),
        lead(begun_on) over cables is not null as is_earlier,
        least(
            coalesce(retired_on, if(section_id <> named_id(section_id), try_cast(right(section_id, 10) as date), null)),
            lead(begun_on) over cables
        ) as retired_on
    from begun
    window cables as (partition by section_id order by cable)
),

-- a row that the register gives an earlier cable of its own stands before the one told from its past
named as (
    select
        * exclude (section_id),
        if(is_earlier, section_id || '@' || retired_on, section_id) as section_id
    from ended
    qualify row_number() over (
        partition by if(is_earlier, section_id || '@' || retired_on, section_id) order by is_earlier, load_sequence desc
    ) = 1
),

-- the day a section left for its successors, and whether its cable is still in the ground
leavings as (
    select
        old_section_id as section_id,
        min("on") as left_on,
        bool_or(kind in ('split', 'merged')) as is_regrouped
    from staging.section_successors
    where kind <> 'renumbered'
        and old_section_id not in (select own_successors.section_id from own_successors)
        and named_id(new_section_id) in (select named_id(named.section_id) from named)
    group by old_section_id
),

-- the day a split or merging made a section, where the register has what it was made of
makings as (
    select
        new_section_id as section_id,
        max("on") as made_on
    from staging.section_successors
    where kind in ('split', 'merged')
        and named_id(old_section_id) in (select named_id(named.section_id) from named)
    group by new_section_id
)

select
    named.section_id,
    named.loop_id,
    named.position,
    named.from_terminal_id,
    named.to_terminal_id,
    named.length_m,
    named.insulation,
    named.neutral,
    named.installation,
    named.conductor,
    named.installed_on,
    named.is_install_year_only,
    least(named.retired_on, leavings.left_on) as retired_on,
    coalesce(named.retired_because, if(leavings.is_regrouped, 'regrouped', null)) as retired_because,
    named.rejuvenated_on,
    named.customers,
    coalesce(classes.cable_class, named.parts) as cable_class,
    greatest(if(named.cable > 1, named.begun_on, named.installed_on), makings.made_on) as in_service_from,
    named_id(named.section_id) as named_id,
    named.load_id,
    named.source_file,
    named.row_number
from named
-- settings.classes holds a name once a combination, so no row multiplies
left join settings.classes as classes on classes.parts = named.parts
-- one row an id, twice; of the cables under it, the one in service on the day left, those not gone by the day made
left join leavings
    on leavings.section_id in (named.section_id, named_id(named.section_id))
    and leavings.left_on > coalesce(named.begun_on, date '0001-01-01')
    and leavings.left_on <= coalesce(named.retired_on, date '9999-12-31')
left join makings
    on makings.section_id in (named.section_id, named_id(named.section_id))
    and makings.made_on < coalesce(named.retired_on, date '9999-12-31')
where named.section_id not in (
    select successors.old_id
    from staging.section_successors as successors
    where successors.kind = 'renumbered'
        and successors.new_section_id in (select others.section_id from named as others)
)
