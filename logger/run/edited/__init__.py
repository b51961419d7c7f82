"""What a person said of a run after it was recorded: corrections with their history, the part that counts, photos."""
