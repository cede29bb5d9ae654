"""Does a reading move as anything real does, whatever it measures?"""
