-- One row is a section with the time it was in view.
-- Reads: staging.sections, staging.loops, staging.districts, core.half_loops, core.default_dates, settings.current
-- Key: section_id
-- Units: metres, kilometres, years of 365.25 days
-- Why: DEVELOPERS.md, Definitions: in view from max(installed_on, recorded_from) to min(retired_on, as_of). A section whose
-- date is unknown has no time in view of its own (the model spreads it over the years its like was laid)
with

sections as (
    select
        section_id,
        loop_id,
        position,
        cable_class,
        insulation,
        neutral,
        installation,
        conductor,
        length_m,
        installed_on,
        retired_on,
        rejuvenated_on,
        customers
    from staging.sections
),

placed as (
    select
        sections.section_id,
        sections.loop_id,
        case
            when half_loops.open_after_position is null then sections.loop_id
            when sections.position <= half_loops.open_after_position then sections.loop_id || '/A'
            else sections.loop_id || '/B'
        end as half_loop_id,
        loops.district_id,
        sections.position,
        sections.cable_class,
        sections.insulation,
        coalesce(sections.neutral, 'unknown') as neutral,
        coalesce(sections.installation, 'unknown') as installation,
        sections.conductor,
        sections.length_m,
        sections.installed_on,
        sections.installed_on is not null and default_dates.installed_on is null as is_installed_on_known,
        sections.retired_on,
        sections.rejuvenated_on,
        sections.customers,
        districts.recorded_from,
        least(sections.retired_on, current.general_as_of) as in_view_to
    from sections
    -- one row a loop and a district in staging: no row multiplies
    left join staging.loops as loops on loops.loop_id = sections.loop_id
    left join staging.districts as districts on districts.district_id = loops.district_id
    -- one row a loop
    left join core.half_loops as half_loops on half_loops.loop_id = sections.loop_id
    -- one row a date
    left join core.default_dates as default_dates on default_dates.installed_on = sections.installed_on
    -- one row in all
    cross join settings.current as current
),

in_view as (
    select
        section_id,
        case
            when is_installed_on_known and greatest(installed_on, recorded_from) <= in_view_to
                then greatest(installed_on, recorded_from)
        end as in_view_from
    from placed
)

select
    placed.section_id,
    placed.loop_id,
    placed.half_loop_id,
    placed.district_id,
    placed.position,
    placed.cable_class,
    placed.insulation,
    placed.neutral,
    placed.installation,
    placed.conductor,
    placed.length_m,
    placed.length_m / 1000.0 as length_km,
    placed.installed_on,
    placed.is_installed_on_known,
    placed.retired_on,
    placed.rejuvenated_on,
    placed.customers,
    placed.recorded_from,
    in_view.in_view_from,
    case when in_view.in_view_from is not null then placed.in_view_to end as in_view_to,
    coalesce((placed.in_view_to - in_view.in_view_from) / 365.25, 0.0) as exposure_years,
    coalesce(placed.length_m / 1000.0 * (placed.in_view_to - in_view.in_view_from) / 365.25, 0.0) as exposure_km_years
from placed
-- the same rows, one a section
inner join in_view on in_view.section_id = placed.section_id
