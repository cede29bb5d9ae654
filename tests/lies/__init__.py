"""Lies: healthy runs whose capture, or whose vehicle, was made to say something that is not true.

The fault matrix asks whether every listed fault is noticed. This asks the opposite question, of
manipulations that no rule was written for: what is still a pass? A lie changes what a sensor, a
node, a bus or the recording says; ``lies.py`` makes them, alone or several at once, and
``judging.py`` holds the verdict against what the evidence table says nobody can see.
"""
