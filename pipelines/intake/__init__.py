"""How do a utility's own files become typed rows, in metres and zoned times, with nothing lost?

Files and a mapping go in; ``raw.*`` comes out: append-only, every revision, each row with the load,
file and row it came from. Rows that fail a rule of severity reject go to ``raw.quarantined_rows`` as they
came. Text is read twice over where there is doubt: DuckDB for clean files, Python's csv for the others.
"""
