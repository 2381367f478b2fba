-- A number that is at least 0, and missing where it is missing (DuckDB's greatest passes over a null).
create or replace macro not_below_zero(number) as
    case when number < 0 then 0 else number end;

-- assert
select not_below_zero(-3.5) = 0;
select not_below_zero(2.5) = 2.5;
select not_below_zero(null::double) is null
