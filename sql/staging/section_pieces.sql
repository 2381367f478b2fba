-- One row is a short run of other cable inside a section.
-- Reads: raw.section_pieces, settings.classes
-- Key: section_id, from_m
-- Units: metres, UTC, percent of c (the dictionary)
-- Why: the row that arrived last stands for its key
with

rows_loaded as (
    select
        section_id,
        from_m,
        to_m,
        insulation,
        neutral,
        installation,
        installed_on,
        is_install_year_only,
        batch_id,
        source_file,
        row_number,
        load_sequence
    from raw.section_pieces
),

latest as (
    select
        section_id,
        from_m,
        to_m,
        insulation,
        neutral,
        installation,
        installed_on,
        is_install_year_only,
        batch_id,
        source_file,
        row_number
    from rows_loaded
    qualify row_number() over (partition by section_id, from_m order by load_sequence desc) = 1
),

parts_of_class as (
    select
        section_id,
        from_m,
        to_m,
        insulation,
        neutral,
        installation,
        installed_on,
        is_install_year_only,
        batch_id,
        source_file,
        row_number,
        insulation || '/' || coalesce(neutral, 'unknown') || '/' || coalesce(installation, 'unknown') as parts
    from latest
)

select
    parts_of_class.section_id,
    parts_of_class.from_m,
    parts_of_class.to_m,
    parts_of_class.insulation,
    parts_of_class.neutral,
    parts_of_class.installation,
    parts_of_class.installed_on,
    parts_of_class.is_install_year_only,
    coalesce(classes.cable_class, parts_of_class.parts) as cable_class,
    parts_of_class.batch_id,
    parts_of_class.source_file,
    parts_of_class.row_number
from parts_of_class
-- settings.classes holds a name once a combination, so no row multiplies
left join settings.classes as classes on classes.parts = parts_of_class.parts
