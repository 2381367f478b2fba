-- One row is a short run of other cable inside a section.
-- Reads: raw.section_pieces, settings.classes
-- Key: section_id, from_m
-- Units: metres, UTC, percent of c (the dictionary)
-- Why: the row that arrived last stands for its key
with

latest as (
    select
        *,
        insulation || '/' || coalesce(neutral, 'unknown') || '/' || coalesce(installation, 'unknown') as parts
    from raw.section_pieces
    qualify row_number() over (partition by section_id, from_m order by load_sequence desc) = 1
)

select
    latest.section_id,
    latest.from_m,
    latest.to_m,
    latest.insulation,
    latest.neutral,
    latest.installation,
    latest.installed_on,
    latest.is_install_year_only,
    coalesce(classes.cable_class, latest.parts) as cable_class,
    latest.load_id,
    latest.source_file,
    latest.row_number
from latest
-- settings.classes holds a name once a combination, so no row multiplies
left join settings.classes as classes on classes.parts = latest.parts
