"""When will a run that is not over reach its cutoff, and how sure is that?"""
