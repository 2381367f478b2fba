-- One row is a section: one installed cable between two neighbouring terminals.
-- Reads: raw.sections, settings.classes
-- Key: section_id
-- Units: metres, UTC, percent of c (the dictionary)
-- Why: the row that arrived last stands for its key
with

latest as (
    select
        *,
        insulation || '/' || coalesce(neutral, 'unknown') || '/' || coalesce(installation, 'unknown') as parts
    from raw.sections
    qualify row_number() over (partition by section_id order by load_sequence desc) = 1
)

select
    latest.section_id,
    latest.loop_id,
    latest.position,
    latest.from_terminal_id,
    latest.to_terminal_id,
    latest.length_m,
    latest.insulation,
    latest.neutral,
    latest.installation,
    latest.conductor,
    latest.installed_on,
    latest.is_install_year_only,
    latest.retired_on,
    latest.retired_because,
    latest.rejuvenated_on,
    latest.customers,
    coalesce(classes.cable_class, latest.parts) as cable_class,
    latest.load_id,
    latest.source_file,
    latest.row_number
from latest
-- settings.classes holds a name once a combination, so no row multiplies
left join settings.classes as classes on classes.parts = latest.parts
