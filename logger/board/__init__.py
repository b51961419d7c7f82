"""Which port has our board, what does it say, is it wired right?"""
