"""The commands that record, check and import: options and printing only."""
