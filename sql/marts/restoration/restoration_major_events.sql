-- One row is a day that is set apart as a major event, or lies over the threshold.
-- Reads: fitted.major_event_days
-- Key: reported_on
-- Units: minutes per customer served
-- Why: the utility's own flags where it has any, else the 2.5 beta rule on cable faults alone (pipelines/restoration/major_events.py)
select
    reported_on,
    jobs,
    saidi_min,
    threshold_min,
    is_flagged,
    is_over_threshold,
    is_major_event_day,
    marked_by
from fitted.major_event_days
where is_major_event_day or is_over_threshold or is_flagged
