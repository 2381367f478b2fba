-- From 5 to 6: a terminal may say how many of its customers are homes, businesses and critical ones.
-- Why: an interruption does not cost each kind the same.
alter table if exists raw.terminals add column if not exists customers_residential bigint;
alter table if exists raw.terminals add column if not exists customers_business bigint;
alter table if exists raw.terminals add column if not exists customers_critical bigint;
