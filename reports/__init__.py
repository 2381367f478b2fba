"""Pages and figures: marts in, self-contained HTML out."""
