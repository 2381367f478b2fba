-- One row is a figure or a judgement that the locating page states, of a group where the figure has several.
-- Reads: marts.locating_errors, marts.velocity_by_class, marts.instrument_bias, marts.setting_proposals, marts.reads_long, marts.instrument_drift, marts.window_coverage, settings.current
-- Key: figure, group_name
-- Units: of the figure
-- Why: pages choose words by these rows and judge nothing themselves
with

digs as (
    select
        cable_class,
        instrument_id,
        error_m,
        corrected_error_m,
        dug_distance_m,
        section_called_right,
        corrected_section_right,
        into_wrong_section_m,
        record_contradiction
    from marts.locating_errors
),

corrected as (
    select
        instrument_id,
        error_m,
        corrected_error_m
    from digs
    where error_m is not null and corrected_error_m is not null
),

by_instrument as (
    select
        instrument_id,
        count(*)::double as readings,
        quantile_cont(error_m, 0.1) as error_lo,
        median(error_m) as error_median,
        quantile_cont(error_m, 0.9) as error_hi,
        quantile_cont(corrected_error_m, 0.1) as corrected_lo,
        median(corrected_error_m) as corrected_median,
        quantile_cont(corrected_error_m, 0.9) as corrected_hi
    from corrected
    where instrument_id is not null
    group by instrument_id
),

by_class as (
    select
        cable_class,
        count(*)::double as called_readings,
        count(*) filter (where section_called_right)::double as called_right,
        count(*) filter (where section_called_right) / nullif(count(*), 0) as called_share
    from digs
    where section_called_right is not null and cable_class is not null
    group by cable_class
),

not_judged as (
    select
        cable_class as name,
        verdict,
        verdict_reason
    from marts.velocity_by_class
    union all
    select instrument_id, verdict, verdict_reason
    from marts.instrument_bias
    union all
    select instrument_id || ', ' || cable_class, verdict, verdict_reason
    from marts.setting_proposals
),

-- the class that an instrument was used on most: where a test by another instrument would tell most
dug_most as (
    select
        instrument_id,
        cable_class
    from marts.setting_proposals
    qualify row_number() over (partition by instrument_id order by digs desc, cable_class) = 1
),

proposals as (
    select
        instrument_id || ', ' || cable_class as pair,
        verdict,
        reads_long_pct,
        digs,
        error_before_m,
        error_after_m,
        row_number() over (
            partition by verdict
            order by abs(reads_long_pct) * sqrt(digs) desc nulls last, instrument_id, cable_class
        ) as place
    from marts.setting_proposals
),

per_instrument as (
    unpivot by_instrument
    on readings, error_lo, error_median, error_hi, corrected_lo, corrected_median, corrected_hi
    into name figure value amount
),

per_class as (
    unpivot by_class
    on called_readings, called_right, called_share
    into name figure value amount
)

select
    'spread_' || figure as figure,
    instrument_id as group_name,
    amount,
    null as judged
from per_instrument
union all
select 'middle_error', instrument_id, null,
    case when abs(error_median) > abs(corrected_median) then 'nearer' else 'not_nearer' end
from by_instrument
union all
select figure, cable_class, amount, null
from per_class
union all
select unnest(['gain_digs', 'error_before', 'error_after']), '',
    unnest([count(*), median(abs(error_m)), median(abs(corrected_error_m))]), null
from corrected
union all
select 'displayed_reads', '', null, case when median(error_m) > 0 then 'long' else 'short' end
from digs
where error_m is not null and dug_distance_m is not null
union all
select 'displayed_middle', '', abs(median(error_m)), null
from digs
where error_m is not null and dug_distance_m is not null
union all
select 'called_right_of_all', '', sum(called_right) / nullif(sum(called_readings), 0), null
from by_class
union all
select unnest(['corrected_digs', 'called_before', 'called_after']), '',
    unnest([count(*), avg(section_called_right::integer), avg(corrected_section_right::integer)]), null
from digs
where section_called_right is not null and corrected_section_right is not null
union all
select 'into_wrong_section', '', median(into_wrong_section_m), null
from digs
where not section_called_right
union all
select 'contradictions', '', count(*), null
from digs
where record_contradiction is not null
union all
select 'contradictions_of', record_contradiction, count(*), null
from digs
where record_contradiction is not null
group by record_contradiction
union all
select 'class_setting', cable_class, bias_points,
    case
        when verdict = 'in_tolerance' then 'within'
        when verdict != 'out_of_tolerance' then 'open'
        when bias_points > 0 then 'too_fast'
        when bias_points < 0 then 'too_slow'
        else 'within'
    end
from marts.velocity_by_class
union all
select 'instrument_fault', bias.instrument_id, null,
    case
        when abs(bias.offset_as_of_m) > settings.locating_tolerance_m
            and abs(bias.scale_as_of - 1) > settings.locating_tolerance_pct / 100 then 'both'
        when abs(bias.offset_as_of_m) > settings.locating_tolerance_m then 'zero'
        when abs(bias.scale_as_of - 1) > settings.locating_tolerance_pct / 100 then 'time_base'
        else 'neither'
    end
from marts.instrument_bias as bias
cross join settings.current as settings
union all
select 'open_because', name, null, verdict_reason
from not_judged
where verdict in ('not_separable', 'too_few_readings')
union all
select 'dug_most', instrument_id, null, cable_class
from dug_most
union all
select 'worst_setting', '', null, pair
from proposals
where verdict = 'out_of_tolerance' and place = 1
union all
select 'setting_reads', pair, abs(reads_long_pct), case when reads_long_pct > 0 then 'long' else 'short' end
from proposals
where reads_long_pct is not null
union all
select unnest(['usual_error_before', 'usual_error_after']), '',
    unnest([sum(error_before_m * digs), sum(error_after_m * digs)]) / nullif(sum(digs), 0), null
from proposals
union all
select 'settings_on_record', instrument_id, settings_known,
    case when settings_known < 0.5 * digs then 'few' else 'most' end
from marts.reads_long
union all
select 'drift_chart', instrument_id, null,
    case
        when drift_verdict in ('drifting', 'stepped') then drift_verdict
        when ewma_out_at is not null or cusum_out_at is not null then 'false_alarm'
        else 'quiet'
    end
from marts.instrument_drift
union all
select 'windows_held', way || ' ' || group_name || ' ' || window_level, held_share,
    case
        when held_hi < window_level then 'too_few'
        when held_lo > window_level then 'too_many'
        else 'as_promised'
    end
from marts.window_coverage
where grouped_by = 'distance_band'
