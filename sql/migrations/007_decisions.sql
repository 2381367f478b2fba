-- From 6 to 7: decisions on loops and sections are a table of their own.
-- Why: the plan honours what engineers have decided.
create table if not exists raw.decisions (
    decision_id varchar,
    loop_id varchar,
    section_id varchar,
    decision varchar,
    year bigint,
    project_id varchar,
    reason varchar,
    decided_on date,
    load_id varchar,
    source_file varchar,
    row_number bigint,
    load_sequence bigint,
    content_hash varchar
);
