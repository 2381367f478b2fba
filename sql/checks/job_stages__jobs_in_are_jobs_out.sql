-- fail
select jobs.job_id
from staging.jobs as jobs
inner join staging.loops as loops on loops.loop_id = jobs.loop_id
left join staging.districts as districts on districts.district_id = loops.district_id
left join core.job_stages as job_stages on job_stages.job_id = jobs.job_id
cross join settings.current as current
where (job_stages.job_id is null) = (
    current.general_as_of is null
    or timezone(coalesce(districts.timezone, 'UTC'), jobs.reported_at)::date <= current.general_as_of
)
