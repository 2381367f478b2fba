-- How far a dug distance may end outside the section named before the record contradicts itself: distances are wheeled and
-- paced too, so a few metres and a twentieth.
create or replace macro dug_slack_m(dug_distance_m) as
    3 + 0.05 * dug_distance_m;

-- assert
select dug_slack_m(100) = 8;
select dug_slack_m(null::double) is null
