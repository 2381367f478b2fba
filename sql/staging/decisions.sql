-- One row is a decision in force on a loop or section.
-- Reads: raw.decisions, staging.sections
-- Key: decision_id
-- Units: calendar years, or years of the plan below 100
-- Why: the row that arrived last stands for its key; one that is free lifts the decision. The loop of a section is that of the
-- register, whatever the row says
with

latest as (
    select *
    from raw.decisions
    qualify row_number() over (partition by decision_id order by load_sequence desc) = 1
)

select
    latest.decision_id,
    coalesce(sections.loop_id, latest.loop_id) as loop_id,
    latest.section_id,
    latest.decision,
    latest.year,
    latest.project_id,
    latest.reason,
    latest.decided_on,
    latest.cost_recorded,
    latest.load_id,
    latest.source_file,
    latest.row_number
from latest
left join staging.sections as sections on sections.section_id = latest.section_id
where latest.decision <> 'free'
