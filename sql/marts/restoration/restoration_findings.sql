-- One row is a figure or a judgement that the page of restoration states, of a group where the figure has several.
-- Reads: marts.restoration_waterfall, marts.restoration_stages, marts.restoration_indices, marts.restoration_what_if, marts.restoration_search, marts.restoration_summary, marts.restoration_abnormal, marts.restoration_comparison, marts.restoration_major_events, fitted.closing_lag, settings.current
-- Key: figure, group_name
-- Units: of the figure
-- Why: pages choose words by these rows and judge nothing themselves; a common fraction is said within two points
with

search as (
    select share_of_minutes as share
    from marts.restoration_waterfall
    where grouped_by = 'configuration' and group_name = 'loop' and part = 'arrive_to_locate'
),

customer_stages as (
    select
        stage,
        mean_min,
        mean_min / nullif(sum(mean_min) over (), 0) as share
    from marts.restoration_stages
    where
        grouped_by = 'all'
        and stage in ('report_to_dispatch', 'dispatch_to_arrive', 'arrive_to_locate', 'locate_to_restore')
),

saved as (
    select
        lever,
        saved_per_year,
        100 * saved_lo / nullif(customer_minutes, 0) as lo,
        100 * saved_hi / nullif(customer_minutes, 0) as hi
    from marts.restoration_what_if
    where grouped_by = 'all'
),

classes as (
    select
        group_name,
        mean_time_to_restore_lo as lo,
        mean_time_to_restore_hi as hi,
        row_number() over (order by mean_time_to_restore_min, group_name) as place,
        count(*) over () as classes
    from marts.restoration_summary
    cross join settings.current as settings
    where
        grouped_by = 'cable_class'
        and mean_time_to_restore_min is not null
        and jobs >= settings.general_small_group
),

marked as (
    select
        case when bool_or(marked_by = 'flags') then 'flags' else 'rule' end as marked_by
    from marts.restoration_major_events
    where is_major_event_day
),

-- the page's own basis: the records as they are, without the utility's days where it flags any
indices as (
    select indices.*
    from marts.restoration_indices as indices
    -- marked is one row
    cross join marked
    where indices.basis = 'as_recorded'
        and indices.days_left_out_by in ('', if(marked.marked_by = 'flags', 'utility', 'threshold'))
),

years as (
    select
        saidi_min,
        row_number() over (order by year desc) as place,
        count(*) over () as years
    from indices
    where not is_without_major_events and saidi_min is not null and saifi is not null
),

minutes as (
    select
        sum(customer_minutes_sustained) filter (where is_without_major_events) as without_major,
        sum(customer_minutes_sustained) filter (where not is_without_major_events) as every_day
    from indices
    where saidi_min is not null and saifi is not null
)

select
    'search_share' as figure,
    '' as group_name,
    share as amount,
    case
        when abs(share - 1 / 4) <= 0.02 then 'a_quarter'
        when abs(share - 1 / 3) <= 0.02 then 'a_third'
        when abs(share - 1 / 2) <= 0.02 then 'half'
        when abs(share - 2 / 3) <= 0.02 then 'two_thirds'
        when abs(share - 3 / 4) <= 0.02 then 'three_quarters'
        when share > 0.52 and share < 2 / 3 then 'more_than_half'
        else 'in_percent'
    end as judged
from search
union all
select 'stage_share', stage, share, null
from customer_stages
union all
select unnest(['half_closed_days', 'most_closed_days']), '', unnest([
        min(lag_days) filter (where share_closed >= 0.5), min(lag_days) filter (where share_closed >= 0.95)
    ]), null
from fitted.closing_lag
union all
select unnest(['saved_lo_pct', 'saved_hi_pct']), lever, unnest([lo, hi]), null
from saved
union all
select
    'search_over_travel',
    '',
    max(saved_per_year) filter (where lever = 'search_shorter')
    / nullif(greatest(max(saved_per_year) filter (where lever = 'arrive_sooner'), 0), 0),
    null
from saved
union all
select 'has_enough_jobs', grouped_by || ' ' || group_name, jobs,
    case when jobs >= settings.general_small_group then 'enough' else 'few' end
from marts.restoration_summary
cross join settings.current as settings
where grouped_by = 'cable_class'
union all
select 'has_enough_jobs', grouped_by || ' ' || group_name, jobs,
    case when jobs >= settings.general_small_group then 'enough' else 'few' end
from marts.restoration_search
cross join settings.current as settings
where grouped_by = 'loop_size'
union all
select 'class_limits', '', null,
    case
        when max(hi) filter (where place = 1) is null or max(lo) filter (where place = classes) is null then 'unknown'
        when max(hi) filter (where place = 1) < max(lo) filter (where place = classes) then 'apart'
        else 'overlap'
    end
from classes
having count(*) >= 2
union all
select unnest(['saidi_before_lo', 'saidi_before_hi']), '', unnest([min(saidi_min), max(saidi_min)]), null
from years
where place > 1 and years >= 4
having count(*) > 0
union all
select 'major_share', '', 1 - without_major / nullif(every_day, 0), null
from minutes
union all
select 'major_marked_by', '', null, marked_by
from marked
union all
select 'away_one_in', '', 1 / nullif(share_over_10_days, 0), null
from marts.restoration_abnormal
where grouped_by = 'all'
union all
select
    'ratio_limits',
    grouped_by || ' ' || measure || ' ' || group_name,
    null,
    case when ratio_lo > 1 then 'above' when ratio_hi < 1 then 'below' else 'both_sides' end
from marts.restoration_comparison
