"""The report pages: what each of three people can learn from the warehouse, as plain HTML files."""
