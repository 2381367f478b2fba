"""Python that moves or computes: one folder a topic."""
