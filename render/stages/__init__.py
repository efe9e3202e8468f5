"""One module a linear stage: its response at a given sample rate."""
