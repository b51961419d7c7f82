"""What do all the other rooms say alike: errors, durations, numbers with their units, packs and their
floors, marks, what a sensor may be off by? Uses no other room.
"""
