"""What does a notebook ask? The public functions and their results, which say and draw themselves.

The commands ask the same functions; ``drawbench.py`` hands them out.
"""
