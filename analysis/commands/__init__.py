"""The commands that answer from runs: options and printing only."""
