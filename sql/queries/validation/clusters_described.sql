-- One row is a job that would be joined with another, with what speaks for it.
-- Reads: clusters_found, jobs_standing
-- Key: job_id
-- Units: in words
-- Why: a person decides, and sees how far apart the two were reported and dug
select
    found.joined_with as cluster_id,
    found.jobs_in_cluster,
    found.job_id,
    found.joined_with,
    found.likeness,
    'reported ' || case found.likeness
        when 'entered_twice' then round(abs(own.reported_s - other.reported_s) / 60)::bigint || ' minutes'
        else round(abs(own.reported_s - other.reported_s) / 86400)::bigint || ' days'
    end
    || ' apart from ' || found.joined_with
    || '; the same section: ' || coalesce((own.section_id = other.section_id)::varchar, 'unknown')
    || ', the same crew: ' || coalesce((own.crew_id = other.crew_id)::varchar, 'unknown')
    || ', dug ' || coalesce(round(abs(own.dug_distance_m - other.dug_distance_m), 1)::varchar, 'unknown')
    || ' m apart' as grounds,
    '' as cluster_decision
from clusters_found as found
-- both ids are keys of jobs_standing
inner join jobs_standing as own on own.job_id = found.job_id
inner join jobs_standing as other on other.job_id = found.joined_with
