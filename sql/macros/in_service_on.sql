-- Whether a section was in service on a day: the days it was laid and taken out count, and a date unknown is no bound.
create or replace macro in_service_on(on_day, installed_on, retired_on) as
    coalesce(installed_on <= on_day, true) and coalesce(retired_on >= on_day, true);

-- assert
select in_service_on(date '2020-07-01', date '2020-07-01', date '2020-07-01');
select not in_service_on(date '2020-07-01', date '2020-07-02', null);
select not in_service_on(date '2020-07-01', date '2000-01-01', date '2020-06-30');
select in_service_on(date '2020-07-01', null::date, null::date)
