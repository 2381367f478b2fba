"""Which rows can be relied on, and what exactly is wrong with the others?

Every rule is a named expectation with a severity, a message and an example (rules.py). They run on the
typed rows of a load before anything is kept: rows that fail a rule of severity reject go to quarantine,
the others are flagged and kept.
"""
