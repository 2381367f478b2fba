-- One row is a group of jobs with tests.
-- Reads: fitted.restoration_search
-- Key: grouped_by, group_name
-- Units: tests, minutes
-- Why: tests used against the least by expected failure, averaged over jobs (pipelines/restoration/search_effort.py)
select
    grouped_by,
    group_name,
    jobs,
    mean_tests,
    mean_least_tests,
    mean_least_tests_by_count,
    excess_tests,
    excess_lo,
    excess_hi,
    minutes_per_test,
    excess_min
from fitted.restoration_search
