"""Curves of any signals over a whole run of any length, at any zoom: written once, asked often.

``write.write_curves`` goes through a capture once; ``query.Curves`` answers from what it wrote.
"""
