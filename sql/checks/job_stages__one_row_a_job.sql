-- fail
select job_id
from core.job_stages
group by job_id
having count(*) > 1
