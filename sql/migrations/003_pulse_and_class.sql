-- From 2 to 3: a job and a test shot may say the pulse, the range and the sampling of their display; a calibration reading
-- may name the class of its cable where it names no section.
-- Why: what a pulse hides limits a reading; a run of known length need not be on the register.
alter table if exists raw.jobs add column if not exists pulse_ns double;
alter table if exists raw.jobs add column if not exists range_m double;
alter table if exists raw.jobs add column if not exists sampling_m double;
alter table if exists raw.test_shots add column if not exists pulse_ns double;
alter table if exists raw.test_shots add column if not exists range_m double;
alter table if exists raw.test_shots add column if not exists sampling_m double;
alter table if exists raw.known_lengths add column if not exists cable_class varchar;
