"""How do a utility's own files become typed rows, in metres and zoned times, with nothing lost?

Files and a mapping go in; ``raw.*`` comes out: append-only, every revision, each row with the load,
file and row it came from. Rows that fail a rule of severity reject go to ``raw.quarantined_rows`` as they
came. Text is read twice over where there is doubt: DuckDB for clean files, Python's csv for the others.

load.py                 a load from its files to its report
sources.py              which files a load is made of, and their tables
archives.py             unpacks gz and zip within limits
mapping.py              how columns of a file become columns of the dictionary
mapping_file.py         reads a mapping file
mapping_shapes.py       the parts of one that shape rows or name a database
mapping_state.py        the parts of one that say whether files are whole, and what a changed cable is
mapping_place.py        where in one something stands, and the checks of its parts
expressions.py          the expressions of derived headers, and what they may hold
draft.py                drafts one for several files
draft_parts.py          what the files hold, part by part, and where their headers stand
draft_headers.py        the header among titles and units
draft_tables.py         which tables these are, by names, values and keys
draft_shapes.py         which of them must be turned, split or joined first
draft_joins.py          how they join into one mapping
guesses.py              guesses about a column, each with its evidence
text.py                 delimited text to a table of texts, none lost
text_records.py         the same record by record, where there is doubt
formats.py              spreadsheets and Parquet, and which reader reads what
json_records.py         JSON: lines, arrays, nested records
databases.py            a query of SQLite or PostgreSQL to a file of texts
html_tables.py          tables of HTML under the name of a workbook
shapes.py               rows joined, turned and given derived headers before columns are read
expression_sql.py       an expression as SQL
reading.py              from files to typed rows
typed.py                texts to values
zones.py                local times to instants
quarantined.py            rows in quarantine given to a person, and known again once corrected
share.py                one table's share of a load, handed from step to step
snapshots.py            what is missing from files that are whole
cables.py               a new cable under a known id, or a correction
sorting.py              new, revised, unchanged, superseded or rejected
keeping.py              keeps rows, findings and counts
raw.py                  the raw tables
known_length.py         a test on a run of known length, entered by hand
corrections.py          applies what a person decided
undo.py                 takes the last load back
"""
