-- fail
select job_id
from core.job_stages
where abs(
    report_to_dispatch_customer_minutes + dispatch_to_arrive_customer_minutes + arrive_to_locate_customer_minutes
    + locate_to_restore_customer_minutes + unsplit_customer_minutes - customer_minutes
) > 0.001 or least(
    report_to_dispatch_customer_minutes, dispatch_to_arrive_customer_minutes, arrive_to_locate_customer_minutes,
    locate_to_restore_customer_minutes, unsplit_customer_minutes
) < -0.001
