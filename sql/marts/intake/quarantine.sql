-- One row is a finding that stands: a rule that a row failed, kept out or flagged.
-- Reads: raw.findings, raw.quarantined_rows
-- Key: batch, table, file, row_number, rule, column
-- Units: as in the source
-- Why: a row that was mended and loaded has left quarantine, and its findings with it
select
    findings.load_id as batch,
    findings."table",
    findings.file,
    findings.row_number,
    findings.rule,
    findings.severity,
    coalesce(findings."column", '') as "column",
    findings."value",
    findings.message
from raw.findings as findings
-- an anti join only takes rows away; of several rows made of one row of a file, all have been released
anti join (
    select load_id, "table", file, row_number
    from raw.quarantined_rows
    group by load_id, "table", file, row_number
    having count(*) = count(released_by)
) as released
    on findings.load_id = released.load_id
    and findings."table" = released."table"
    and findings.file = released.file
    and findings.row_number = released.row_number
