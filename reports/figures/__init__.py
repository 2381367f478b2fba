"""Figures by topic: frame in, plotly figure out. Nothing here reads, writes or decides."""
