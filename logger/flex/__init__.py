"""When did a joint fail, and what is kept while the rig bends?"""
