-- fail
select *
from marts.register_lengths
where not (implied_lo > 0 and implied_lo < implied_length_m and implied_length_m < implied_hi)
