-- Sum that does not hang on the order of its rows, which threads change: added as decimals to twelve places.
create or replace macro exact_sum(number) as
    sum(number::decimal(38, 12))::double;

-- assert
select exact_sum(n) = 0.6 from (values (0.1::double), (0.2), (0.3)) as numbers (n);
select exact_sum(n) = 1e9 + 0.25 from (values (1e9), (0.125), (null), (0.125)) as numbers (n);
select exact_sum(null::double) is null
