-- fail
-- Every count stated is the rows read, with the steps up to it.
select
    stated.step,
    stated.jobs,
    first.jobs + sum(between_them.jobs) as by_steps
from marts.count_reconciliation as stated
-- one row: the rows read
inner join marts.count_reconciliation as first on first.step_order = 0
-- the steps before, summed
left join marts.count_reconciliation as between_them
    on between_them.step_order < stated.step_order and not between_them.is_total
where stated.is_total
group by stated.step, stated.jobs, first.jobs
having stated.jobs <> first.jobs + coalesce(sum(between_them.jobs), 0)
