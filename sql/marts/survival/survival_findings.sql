-- One row is a figure or a judgement that the survival part states, of a group where the figure has several.
-- Reads: marts.class_survival, marts.age_rates
-- Key: figure, group_name
-- Units: of the figure
-- Why: pages choose words by these rows and judge nothing; a headline rests on ten failures at least: our choice
with

firm as (
    select
        cable_class,
        age_from,
        row_number() over (order by rate_per_100km_year desc, cable_class, age_from) as place
    from marts.age_rates
    where exposure_km_years > 0 and failures >= 10
)

select
    'shape' as figure,
    cable_class as group_name,
    shape as amount,
    case
        when failures < 10 then 'too_few'
        when shape_lo > 1 then 'grows'
        when shape_hi < 1 then 'falls'
        else 'within_chance'
    end as judged
from marts.class_survival
where shape is not null and shape_lo is not null and shape_hi is not null
union all
select 'highest_firm_rate_class', '', null, cable_class
from firm
where place = 1
union all
select 'highest_firm_rate_age_from', '', age_from, null
from firm
where place = 1
