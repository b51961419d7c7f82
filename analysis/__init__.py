"""Numbers, plots and words from a run."""
