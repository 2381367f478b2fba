-- fail
-- For each figure, the rows of a file counted in or out are the rows read.
select
    files.load_id,
    files.file,
    files.read,
    sum(row_ledger.source_rows) as accounted_for
from raw.files as files
-- a file of jobs has a row in the ledger for each figure and reason; they are summed by figure
join marts.row_ledger as row_ledger
    on row_ledger.batch = files.load_id
    and row_ledger.file = files.file
where files."table" = 'jobs'
group by files.load_id, files.file, files.read, row_ledger.figure
having sum(row_ledger.source_rows) <> files.read
