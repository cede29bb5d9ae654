"""Is there a value at an instant, is it fresh, and when was it sent?"""
