-- One row is a job that may be one with another, for a person to decide on
-- Reads: fitted.job_clusters
-- Key: job_id, joined_with
-- Units: none
-- Why: jobs are never joined in silence; the decision column is filled by hand and the file loaded as job_clusters
select
    cluster_id,
    jobs_in_cluster,
    job_id,
    joined_with,
    likeness,
    grounds,
    cluster_decision
from fitted.job_clusters
