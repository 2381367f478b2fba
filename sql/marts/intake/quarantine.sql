-- One row is a finding that stands: a rule that a row failed, kept out or flagged.
-- Reads: raw.findings, raw.quarantined_rows
-- Key: batch, table, file, row_number, rule, column
-- Units: as in the source
-- Why: a row that was mended and loaded has left quarantine, and its findings with it
with

findings as (
    select
        batch_id,
        "table",
        file,
        row_number,
        rule,
        severity,
        "column",
        "value",
        message
    from raw.findings
),

rows_released as (
    select
        batch_id,
        "table",
        file,
        row_number
    from raw.quarantined_rows
    where released_by is not null
)

select
    findings.batch_id as batch,
    findings."table",
    findings.file,
    findings.row_number,
    findings.rule,
    findings.severity,
    coalesce(findings."column", '') as "column",
    findings."value",
    findings.message
from findings
-- an anti join only takes rows away
anti join rows_released
    on findings.batch_id = rows_released.batch_id
    and findings."table" = rows_released."table"
    and findings.file = rows_released.file
    and findings.row_number = rows_released.row_number
