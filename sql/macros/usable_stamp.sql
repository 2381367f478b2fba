-- A stamp that can be used for a duration: null where the row says the column holds a date only.
create or replace macro usable_stamp(stamp_at, column_name, date_only_columns) as
    case
        when list_contains(string_split(replace(coalesce(date_only_columns, ''), ' ', ''), ','), column_name) then null
        else stamp_at
    end;

-- assert
select usable_stamp(timestamptz '2020-01-01 00:00:00Z', 'repaired_at', 'repaired_at,closed_at') is null;
select usable_stamp(timestamptz '2020-01-01 00:00:00Z', 'repaired_at', 'closed_at, repaired_at') is null;
select usable_stamp(timestamptz '2020-01-01 00:00:00Z', 'closed_at', null) = timestamptz '2020-01-01 00:00:00Z';
select usable_stamp(timestamptz '2020-01-01 00:00:00Z', 'normal_at', 'pre_normal_at') is not null
