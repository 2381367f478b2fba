"""Where do the minutes of an interruption go, and what would save them?

Tables in: core.job_stages, core.job_groups, core.restoration_blocks and what they were made from.
Tables out: fitted.restoration_*; the marts of sql/marts/restoration present them.
Method: ../shared words in DEVELOPERS.md; each module names its own sources.

    bootstrap.py        limits of means, medians and 90th percentiles for every group of jobs
    control_limits.py   individuals chart of a monthly figure
    major_events.py     days that the 2.5 beta rule sets apart
    step.py             the only module here that reads and writes tables
"""
