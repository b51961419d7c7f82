"""What is a run on disk, how is it written and read, damaged or not?"""
