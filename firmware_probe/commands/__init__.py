"""The command that plays a board: options and printing only."""
