"""What judges a forecast of the time to the cutoff. It shares no code, table or constant with it.

`rundown.py` the material and what a forecast may see of it; `cell.py` a cell as an equivalent
circuit; `curves.py` and `sealed.py` invented rundowns; `measured.py` measured ones; `rivals.py`
what any forecast must beat; `score.py` the figures.
"""
