-- One row is a row of jobs that waits in quarantine, with what its cells say as they were received.
-- Reads: raw.quarantined_rows, raw.findings
-- Key: batch, file, row_number, row_key
-- Units: as in the source
-- Why: a month is not known whole while jobs of it wait; nothing is read into a cell that could not be read
select
    kept_out.load_id as batch,
    kept_out.file,
    kept_out.row_number,
    kept_out.key as row_key,
    as_received('loop_id', any_value(kept_out.headers), any_value(kept_out.cells), any_value(kept_out.read_as))
        as loop_as_received,
    as_received('reported_at', any_value(kept_out.headers), any_value(kept_out.cells), any_value(kept_out.read_as))
        as reported_as_received,
    as_received('customers_interrupted', any_value(kept_out.headers), any_value(kept_out.cells),
        any_value(kept_out.read_as)) as customers_as_received,
    string_agg(distinct findings.rule, ' ' order by findings.rule) as rules,
    string_agg(distinct findings.message, '; ' order by findings.message) as kept_out_because
from raw.quarantined_rows as kept_out
-- many findings to a row, listed back to it
inner join raw.findings as findings
    on findings.load_id = kept_out.load_id
    and findings."table" = kept_out."table"
    and findings.file = kept_out.file
    and findings.row_number = kept_out.row_number
    and findings.severity = 'reject'
where kept_out."table" = 'jobs' and kept_out.released_by is null
group by kept_out.load_id, kept_out.file, kept_out.row_number, kept_out.key
