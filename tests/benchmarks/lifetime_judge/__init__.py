"""Judge of "when does a lifetime end": simulated pieces whose end is known, and the score.

Shares no code, table or constant with the detector it judges.
"""
