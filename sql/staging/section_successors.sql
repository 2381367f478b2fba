-- One row is a section that came in the place of another.
-- Reads: raw.section_successors
-- Key: old_id, new_id
-- Units: share of the old section's length
-- Why: the row that arrived last stands for its key; a cable that was renumbered is one cable, so each id is followed to the
-- one that the cable bears today
with recursive

latest as (
    select *
    from raw.section_successors
    qualify row_number() over (partition by old_id, new_id order by load_sequence desc) = 1
),

decided as (
    select *
    from latest
    where coalesce(decision, 'apply') = 'apply'
),

-- an id and each later one of its cable; union ends a circle of renumberings
names_of_today as (
    select
        old_id as one_id,
        new_id as later_id
    from decided
    where kind = 'renumbered'
    union
    select
        names_of_today.one_id,
        decided.new_id as later_id
    from names_of_today
    -- meant to give every step of a chain of renumberings
    inner join decided on decided.old_id = names_of_today.later_id and decided.kind = 'renumbered'
),

last_names as (
    select
        one_id,
        min(later_id) as later_id
    from names_of_today
    where later_id not in (select decided.old_id from decided where decided.kind = 'renumbered')
    group by one_id
)

select
    decided.old_id,
    decided.new_id,
    decided.kind,
    decided."on",
    decided.share,
    if(decided.kind = 'renumbered', decided.old_id, coalesce(old_names.later_id, decided.old_id)) as old_section_id,
    coalesce(new_names.later_id, decided.new_id) as new_section_id,
    decided.load_id,
    decided.source_file,
    decided.row_number
from decided
-- one last name an id, twice
left join last_names as old_names on old_names.one_id = decided.old_id
left join last_names as new_names on new_names.one_id = decided.new_id
