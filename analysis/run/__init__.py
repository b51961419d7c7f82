"""What happened in this run: charge, energy, draw, cutoff, faults?"""
