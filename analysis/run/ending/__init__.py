"""What ended a run: breaks of the draw, the piece's own modes and rhythms, bursts that stop, and the verdict on them."""
