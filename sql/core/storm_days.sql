-- One row is a day of a storm: a day with far more jobs than usual, or marked as a major event, or between two such days.
-- Reads: core.job_stages
-- Key: reported_on
-- Units: jobs
-- Why: jobs of one storm are alike and count as one in limits; the whole fleet's days decide, not a choice's
with

daily as (
    select
        reported_on,
        count(*) as jobs,
        coalesce(bool_or(is_major_event), false) as is_flagged
    from core.job_stages
    group by reported_on
),

busiest_first as (
    select
        reported_on,
        jobs,
        is_flagged,
        row_number() over (order by jobs desc, reported_on) as place,
        date_diff('day', min(reported_on) over (), max(reported_on) over ()) + 1 as days_on_record
    from daily
),

-- the usual day, days without a job among them, without the busiest twentieth
usual as (
    select
        coalesce(sum(jobs) filter (where place > floor(days_on_record / 20)), 0)
            / any_value(days_on_record - floor(days_on_record / 20)) as jobs
    from busiest_first
),

-- a day without storms has so many jobs once in some thousand days: a Poisson number's mean and four deviations, and two
standing_out as (
    select
        busiest_first.reported_on,
        date_diff('day', lag(busiest_first.reported_on) over (order by busiest_first.reported_on), busiest_first.reported_on)
            as days_since_last
    from busiest_first
    -- usual is one row
    cross join usual
    where busiest_first.is_flagged or busiest_first.jobs >= usual.jobs + 4 * sqrt(usual.jobs) + 2
),

-- two days apart at most are one storm
numbered as (
    select
        reported_on,
        count(*) filter (where days_since_last is null or days_since_last > 2) over (order by reported_on) as storm
    from standing_out
),

storms as (
    select
        min(reported_on) as storm_from,
        max(reported_on) as storm_to
    from numbered
    group by storm
)

select
    daily.reported_on,
    storms.storm_from,
    daily.jobs
from storms
-- storms share no day, so a day meets one at most
inner join daily on daily.reported_on between storms.storm_from and storms.storm_to
