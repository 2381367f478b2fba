-- Minutes from one moment to another: negative when the second lies before the first, null when either is missing.
create or replace macro minutes_between(from_at, to_at) as
    (epoch_us(to_at) - epoch_us(from_at)) / 60000000.0;

-- assert
select minutes_between(timestamptz '2020-01-01 10:00:00Z', timestamptz '2020-01-01 11:30:30Z') = 90.5;
select minutes_between(timestamptz '2020-01-01 10:00:00Z', timestamptz '2020-01-01 09:59:00Z') = -1;
select minutes_between(null::timestamptz, timestamptz '2020-01-01 09:59:00Z') is null
