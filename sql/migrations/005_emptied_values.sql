-- From 4 to 5: a file's counts say how many values were taken out of rows that were kept; a row in quarantine keeps how its
-- file was read.
-- Why: a broken optional value costs its own figure and not the row; a corrected file is read as the one it came in, whatever
-- its name.
alter table if exists raw.files add column if not exists emptied bigint;
alter table if exists raw.quarantined_rows add column if not exists read_as varchar;
