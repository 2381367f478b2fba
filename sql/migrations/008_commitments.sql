-- From 7 to 8: a decision may say what its work has cost; committed programmes are kept with what they will be judged by.
-- Why: the follow-up of committed work rests on what was expected on that day, and holds the estimate against the cost.
alter table if exists raw.decisions add column if not exists cost_recorded double;
create table if not exists raw.commitments (
    load_id varchar,
    commitment_id varchar,
    committed_on date,
    known_on date,
    reason varchar,
    method varchar
);
create table if not exists raw.commitment_sections (
    load_id varchar,
    commitment_id varchar,
    decision_id varchar,
    role varchar,
    section_id varchar,
    loop_id varchar,
    district_id varchar,
    cable_class varchar,
    compared_in varchar,
    action varchar,
    due_from date,
    due_to date,
    length_km double,
    cost double,
    without double[],
    planned double[],
    own_variance double,
    loop_variance double,
    level_error double
);
