"""What was compared with a meter, what was kept of it, what fits this board?"""
