"""The invented utility of the demo: files as a utility would export them, and the truth apart."""
