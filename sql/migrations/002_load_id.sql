-- From 1 to 2: a load is called a load. Rows, findings and rejected rows name it load_id, where they said batch_id;
-- the tables of loads and of what rules of whole files found are called so.
-- Why: batch stood for a load, for a production batch of cable and for a portion of rows.
alter table if exists raw.districts rename column batch_id to load_id;
alter table if exists raw.customers_by_year rename column batch_id to load_id;
alter table if exists raw.loops rename column batch_id to load_id;
alter table if exists raw.terminals rename column batch_id to load_id;
alter table if exists raw.sections rename column batch_id to load_id;
alter table if exists raw.section_pieces rename column batch_id to load_id;
alter table if exists raw.instruments rename column batch_id to load_id;
alter table if exists raw.jobs rename column batch_id to load_id;
alter table if exists raw.test_shots rename column batch_id to load_id;
alter table if exists raw.restoration_steps rename column batch_id to load_id;
alter table if exists raw.known_lengths rename column batch_id to load_id;
alter table if exists raw.corrections rename column batch_id to load_id;
alter table if exists raw.job_clusters rename column batch_id to load_id;
alter table if exists raw.files rename column batch_id to load_id;
alter table if exists raw.findings rename column batch_id to load_id;
alter table if exists raw.quarantined_rows rename column batch_id to load_id;
alter table if exists raw.batches rename column batch_id to load_id;
alter table if exists raw.batch_results rename column batch_id to load_id;
alter table if exists raw.batches rename to loads;
alter table if exists raw.batch_results rename to file_results;
