-- Years of 365.25 days from one date to another, as shared/units.py counts them: missing where either is.
create or replace macro years_between(from_on, to_on) as
    (to_on - from_on) / 365.25;

-- assert
select years_between(date '2020-03-01', date '2024-03-01') = 4;
select years_between(date '2024-03-01', date '2020-03-01') = -4;
select years_between(null::date, date '2024-03-01') is null
