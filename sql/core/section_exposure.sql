-- One row is a section with the time it was in view.
-- Reads: staging.sections, staging.loops, staging.districts, core.half_loops, core.default_dates, settings.current
-- Key: section_id
-- Units: metres, kilometres, years of 365.25 days
-- Why: DEVELOPERS.md, Definitions: observed from max(installed_on, recorded_from) to min(retired_on, as_of). A section whose
-- date is unknown has no time in view of its own (the model spreads it over the years its like was laid). What a split or
-- merging made is on record from that day: before it, the cable is observed under its old id
with

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
        if(
            coalesce(sections.in_service_from > sections.installed_on, sections.in_service_from is not null),
            greatest(districts.recorded_from, sections.in_service_from),
            districts.recorded_from
        ) as recorded_from,
        sections.in_service_from,
        least(sections.retired_on, current.general_as_of) as in_view_to
    from staging.sections as sections
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
        *,
        case
            when is_installed_on_known and greatest(installed_on, recorded_from) <= in_view_to
                then greatest(installed_on, recorded_from)
        end as in_view_from
    from placed
)

select
    section_id,
    loop_id,
    half_loop_id,
    district_id,
    position,
    cable_class,
    insulation,
    neutral,
    installation,
    conductor,
    length_m,
    length_m / 1000.0 as length_km,
    installed_on,
    is_installed_on_known,
    retired_on,
    rejuvenated_on,
    customers,
    recorded_from,
    in_service_from,
    in_view_from,
    case when in_view_from is not null then in_view_to end as in_view_to,
    coalesce(years_between(in_view_from, in_view_to), 0.0) as exposure_years,
    coalesce(length_m / 1000.0 * years_between(in_view_from, in_view_to), 0.0) as exposure_km_years
from in_view
