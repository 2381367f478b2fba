-- From 3 to 4: a row of sections says which cable under its id it speaks of; sections may name their successors.
-- Why: a cable replaced under its id keeps its failures and its exposure, and so does one split, merged or renumbered.
alter table if exists raw.sections add column if not exists cable_no bigint;
create table if not exists raw.section_successors (
    old_id varchar,
    new_id varchar,
    kind varchar,
    "on" date,
    share double,
    decision varchar,
    grounds varchar,
    load_id varchar,
    source_file varchar,
    row_number bigint,
    load_sequence bigint,
    content_hash varchar
);
