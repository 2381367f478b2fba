-- One row is a section: one installed cable between two neighbouring terminals.
-- Reads: raw.sections, settings.classes
-- Key: section_id
-- Units: metres, UTC, percent of c (the dictionary)
-- Why: the row that arrived last stands for its key
with

rows_loaded as (
    select
        section_id,
        loop_id,
        position,
        from_terminal_id,
        to_terminal_id,
        length_m,
        insulation,
        neutral,
        installation,
        conductor,
        installed_on,
        is_install_year_only,
        retired_on,
        retired_because,
        rejuvenated_on,
        customers,
        batch_id,
        source_file,
        row_number,
        load_sequence
    from raw.sections
),

latest as (
    select
        section_id,
        loop_id,
        position,
        from_terminal_id,
        to_terminal_id,
        length_m,
        insulation,
        neutral,
        installation,
        conductor,
        installed_on,
        is_install_year_only,
        retired_on,
        retired_because,
        rejuvenated_on,
        customers,
        batch_id,
        source_file,
        row_number
    from rows_loaded
    qualify row_number() over (partition by section_id order by load_sequence desc) = 1
),

parts_of_class as (
    select
        section_id,
        loop_id,
        position,
        from_terminal_id,
        to_terminal_id,
        length_m,
        insulation,
        neutral,
        installation,
        conductor,
        installed_on,
        is_install_year_only,
        retired_on,
        retired_because,
        rejuvenated_on,
        customers,
        batch_id,
        source_file,
        row_number,
        insulation || '/' || coalesce(neutral, 'unknown') || '/' || coalesce(installation, 'unknown') as parts
    from latest
)

select
    parts_of_class.section_id,
    parts_of_class.loop_id,
    parts_of_class.position,
    parts_of_class.from_terminal_id,
    parts_of_class.to_terminal_id,
    parts_of_class.length_m,
    parts_of_class.insulation,
    parts_of_class.neutral,
    parts_of_class.installation,
    parts_of_class.conductor,
    parts_of_class.installed_on,
    parts_of_class.is_install_year_only,
    parts_of_class.retired_on,
    parts_of_class.retired_because,
    parts_of_class.rejuvenated_on,
    parts_of_class.customers,
    coalesce(classes.cable_class, parts_of_class.parts) as cable_class,
    parts_of_class.batch_id,
    parts_of_class.source_file,
    parts_of_class.row_number
from parts_of_class
-- settings.classes holds a name once a combination, so no row multiplies
left join settings.classes as classes on classes.parts = parts_of_class.parts
