"""Which rows can be relied on, and what exactly is wrong with the others?

Every rule is a named expectation with a severity, a message and an example (rules.py). They run on the
typed rows of a load before anything is kept: rows that fail a rule of severity reject go to quarantine, values that
fail one of severity empty are taken out of their rows, other rows are flagged and kept.

rules.py                the rules a row must pass
facts.py                the facts a rule asks of a row: a new comparison is a line here
register.py             what rows are compared with: the register and jobs on record
suite.py                runs the rules with Great Expectations
judge.py                puts the rules to the rows of a load
file_rules.py           the rules a whole file must pass
file_measures.py        how unlike a file is to those before
file_results.py         what a load knows of its files
judge_files.py          puts the rules to the files of a load
number_marks.py         what commas and points in numbers may mean
quarantine.py           findings, listed
suspected_errors.py     records with the signature of an error
clusters.py             jobs that may be one
heaps.py                counts of rounded values
heaping.py              how many are too many
step.py                 the only reading and writing after a load
"""
