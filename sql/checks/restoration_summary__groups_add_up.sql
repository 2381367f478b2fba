-- fail
select grouped_by
from marts.restoration_summary
group by grouped_by
having sum(jobs) <> (select jobs from marts.restoration_summary where grouped_by = 'all')
