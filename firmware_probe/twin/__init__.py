"""The simulated board: how do sensor, pack, load and joints behave, and which lines come of it?"""
