"""Is a definition sound: by itself, and held against what was recorded?"""
