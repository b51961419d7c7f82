"""Does a board speak the protocol?"""
