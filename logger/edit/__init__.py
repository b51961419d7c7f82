"""How is a run corrected after it was recorded, without touching its samples?"""
