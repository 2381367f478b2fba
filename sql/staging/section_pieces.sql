-- One row is a short run of other cable inside a section.
-- Reads: raw.section_pieces, staging.section_names, settings.classes
-- Key: section_id, from_m
-- Units: metres, UTC, percent of c (the dictionary)
-- Why: the row that arrived last stands for its key; a piece lies in the cable in service the day after it was laid, for
-- one laid on the day of a replacement belongs to the new cable; without a day, in the one that stands
with

led as (
    select
        pieces.* exclude (section_id),
        coalesce(names.section_id, pieces.section_id) as section_id
    from raw.section_pieces as pieces
    -- one row a period of an id: no row multiplies
    left join staging.section_names as names
        on names.named_id = pieces.section_id
        and pieces.installed_on + 1 >= names.from_on
        and pieces.installed_on + 1 < names.until_on
),

latest as (
    select
        *,
        insulation || '/' || coalesce(neutral, 'unknown') || '/' || coalesce(installation, 'unknown') as parts
    from led
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
