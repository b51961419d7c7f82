"""Judge of the verdicts on joints: written from closed forms, shares nothing with the analysis."""
