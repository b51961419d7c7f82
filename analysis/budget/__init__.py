"""What should it draw, which figure was wrong, which pack lasts, what to change?"""
