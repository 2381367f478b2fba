-- One row is all: the answers that corrections may move.
-- Reads: core.job_stages, core.failures, core.locating_readings
-- Key: jobs
-- Units: minutes, customer-minutes, customers, percent
-- Why: taken before and after the corrections, they show what these do
select
    count(*) as jobs,
    avg(dispatch_to_arrive_min) as mean_time_to_arrive_min,
    avg(arrive_to_locate_min) as mean_time_to_locate_min,
    avg(locate_to_restore_min) as mean_located_to_restored_min,
    avg(report_to_restore_min) as mean_time_to_restore_min,
    sum(customer_minutes) as customer_minutes,
    sum(customers_interrupted) as customers_interrupted,
    (select count(*) from core.failures where is_counted) as failures_counted,
    (
        select 100 * median(abs(displayed_distance_m - true_length_m) / true_length_m)
        from core.locating_readings
        where is_usable and reading_kind = 'dug' and true_length_m > 0
    ) as median_error_pct
from core.job_stages
