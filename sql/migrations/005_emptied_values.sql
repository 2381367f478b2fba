-- From 4 to 5: a file's counts say how many values were taken out of rows that were kept; a load keeps the text of its mapping.
-- Why: a broken optional value costs its own figure and not the row; a mended file is read as the one it came in was.
alter table if exists raw.files add column if not exists emptied bigint default 0;
alter table if exists raw.loads add column if not exists mapping_text varchar;
