-- Distance from the instrument within which the pulse sent hides an echo, metres: c v tau / 2, as
-- pipelines/locating/resolution.py has it. Nanoseconds, percent of c.
create or replace macro blind_zone_m(pulse_ns, velocity_pct) as
    0.299792458 * velocity_pct / 100 * pulse_ns / 2;

-- assert
select round(blind_zone_m(100, 53), 4) = 7.9445;
select blind_zone_m(null::double, 53) is null
