-- One row is an open job that waits in quarantine with a reading by an instrument: a dig that may still go by it.
-- Reads: raw.findings, raw.quarantined_rows, staging.instruments
-- Key: instrument_id, batch, file, row_number
-- Units: as received
-- Why: where the source's headings are its own, any cell that is an instrument's id names it: better one job too many
with

waiting as (
    select
        rows.load_id,
        rows.file,
        rows.row_number,
        rows.key,
        from_json(rows.headers, '["VARCHAR"]') as headings,
        from_json(rows.cells, '["VARCHAR"]') as cells
    from raw.quarantined_rows as rows
    -- a semi join only takes rows away
    semi join (from raw.findings where rule = 'status_unknown') as findings
        on findings.load_id = rows.load_id
        and findings."table" = rows."table"
        and findings.file = rows.file
        and findings.row_number = rows.row_number
    where rows.released_by is null and rows."table" = 'jobs'
),

-- of a source with other headings these are missing
by_heading as (
    select
        *,
        trim(cells[list_position(headings, 'instrument_id')]) as named,
        trim(cells[list_position(headings, 'estimated_distance_m')]) as displayed,
        nullif(trim(cells[list_position(headings, 'loop_id')]), '') as loop_id,
        nullif(trim(cells[list_position(headings, 'test_terminal_id')]), '') as test_terminal_id,
        nullif(trim(cells[list_position(headings, 'toward_terminal_id')]), '') as toward_terminal_id
    from waiting
)

select
    instruments.instrument_id,
    by_heading.load_id as batch,
    by_heading.file,
    by_heading.row_number,
    split_part(by_heading.key, ' / ', 1) as job_id,
    by_heading.loop_id,
    by_heading.test_terminal_id,
    by_heading.toward_terminal_id
from by_heading
-- instruments are unique; a row that names several belongs to each
inner join staging.instruments as instruments
    on instruments.instrument_id = by_heading.named
    or (by_heading.named is null and list_contains(by_heading.cells, instruments.instrument_id))
where by_heading.displayed is null or by_heading.displayed != ''
