"""What a run's description is made of."""
