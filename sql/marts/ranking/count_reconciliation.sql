-- One row is a step from the rows read to the failures in a headline: a count that is stated, or what lies between two.
-- Reads: marts.row_ledger, raw.files, core.failures, core.section_exposure, fitted.section_ranking, marts.loop_ranking, marts.class_survival, marts.backtest, marts.backtest_summary, marts.calibration_summary
-- Key: step_order
-- Units: jobs
-- Why: no two counts on the pages differ without a reason; the counts stated come from the tables that state them, and a
-- check holds them to the steps between
with

reasons as (
    select *
    from (values
        (1, 'in quarantine', 'in quarantine', 'a rule rejected the row; it waits to be corrected and loaded again'),
        (2, 'already loaded, unchanged', 'already loaded', 'the same row came before'),
        (3, 'a later row of the job stands', 'earlier rows of a job', 'the highest revision of a job counts'),
        (4, 'joined with another job by decision', 'joined', 'a decision says that it is the same fault as another job'),
        (5, 'the job is not closed', 'not closed', 'cancelled, or still open'),
        (6, 'after_as_of', 'after the as-of day', 'reported after the last day counted'),
        (7, 'excluded_cause', 'not the cable''s doing', 'dug into, an animal or a vehicle'),
        (8, 'other_component', 'another component', 'neither cable nor splice failed'),
        (9, 'loop_only', 'known by loop alone', 'no section on record; shared over the loop in the forecast'),
        (10, 'not_in_register', 'section not in the register', 'no cable to count it on'),
        (11, 'before_records', 'before the records', 'reported before the district''s records began'),
        (12, 'after_retirement', 'after retirement', 'reported after the section was retired'),
        (13, 'undated_section', 'sections without a date', 'no age to put it at; in the ranking, not in the class curves'),
        (14, 'before_installation', 'before installation', 'reported before the section was installed')
    ) as listed (place, reason, step, why)
),

left_out as (
    select
        reason,
        sum(source_rows) as jobs
    from marts.row_ledger
    where figure = 'survival' and not is_counted
    group by reason
),

dates as (
    select
        origin::date as origin,
        max(horizon_years) as horizon_years
    from marts.backtest
    group by origin
),

-- failures on known sections, and those known by loop alone, each at the last past date before it
judged as (
    select
        failures.job_id,
        failures.section_id,
        failures.loop_id,
        coalesce(failures.why_not = 'loop_only', false) as is_loop_only,
        failures.failed_on,
        (select max(dates.origin) from dates where dates.origin < failures.failed_on) as origin,
        -- days of the horizon are rounded as Python rounds them
        (select round_even(max(dates.horizon_years) * 365.25, 0)::integer from dates) as horizon_days
    from core.failures as failures
    where failures.is_counted or failures.why_not in ('undated_section', 'loop_only')
),

placed as (
    select
        judged.job_id,
        judged.is_loop_only,
        judged.section_id in (select ranked.section_id from fitted.section_ranking as ranked) as is_ranked,
        case
            when judged.origin is null then 'before'
            when judged.failed_on > judged.origin + judged.horizon_days then 'beyond'
            when not exists (
                select 1
                from core.section_exposure as sections
                where
                    (sections.section_id = judged.section_id or judged.is_loop_only and sections.loop_id = judged.loop_id)
                    and coalesce(sections.installed_on <= judged.origin, true)
                    and coalesce(sections.retired_on > judged.origin, true)
            ) then 'laid_later'
            else 'followed'
        end as fate
    from judged
),

sums as (
    select
        count(*) filter (where not is_loop_only and not coalesce(is_ranked, false)) as replaced,
        count(*) filter (where not is_loop_only and fate = 'before') as before,
        count(*) filter (where not is_loop_only and fate = 'beyond') as beyond,
        count(*) filter (where not is_loop_only and fate = 'laid_later') as laid_later,
        count(*) filter (where is_loop_only and fate = 'followed') as loop_only
    from placed
),

undated as (
    select count(*) as jobs
    from core.failures
    where why_not = 'undated_section'
),

steps as (
    select
        0 as step_order, 'Rows read' as step, sum(read) as jobs,
        'rows of all files of jobs' as why, true as is_total
    from raw.files
    where "table" = 'jobs'
    union all
    select
        coalesce(reasons.place, 20), coalesce(reasons.step, left_out.reason), -left_out.jobs,
        coalesce(reasons.why, left_out.reason), false
    from left_out
    -- one row a reason
    left join reasons on reasons.reason = left_out.reason
    union all
    select 30, 'Failures in the class curves', sum(failures), 'stated by the figures of how cable ages', true
    from marts.class_survival
    union all
    select 31, 'sections without a date', jobs, 'the ranking spreads their age over the years that their like was laid', false
    from undated
    union all
    select 32, 'cable since retired', -replaced, 'no longer there to rank', false
    from sums
    union all
    select 40, 'Failures on record in the ranking', sum(failures_recorded), 'stated by the ranking of loops', true
    from marts.loop_ranking
    where "rank" is not null
    union all
    select
        unnest([41, 42, 43, 44]),
        unnest(['cable since retired', 'up to the first past date', 'beyond the horizon of the dates', 'laid after the date']),
        unnest([replaced, -before, -beyond, -laid_later]),
        unnest([
            'the back-test follows what was known on each past date', 'they are the record that the first order is made from',
            'no past date follows them', 'no order of the date before them could hold this cable'
        ]),
        false
    from sums
    union all
    select 50, 'Later failures in the back-test', max(failures_distinct), 'stated by the back-test, each counted once', true
    from marts.backtest_summary
    union all
    select 51, 'known by loop alone', loop_only, 'of the same time: the forecast holds them too', false
    from sums
    union all
    select
        60, 'Failures that came, beside those expected', round(max(observed_distinct)),
        'stated by the calibration, each counted once', true
    from marts.calibration_summary
    where decile = 0
)

select
    step,
    coalesce(jobs, 0)::bigint as jobs,
    why,
    step_order::bigint as step_order,
    is_total
from steps
where is_total or jobs <> 0
