"""How does a foreign text file (another meter's, another sketch's) become a run?"""
