"""Do two readings come from two sensors, and a state from its contact?"""
