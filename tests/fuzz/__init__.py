"""Random and damaged input for everything that reads a user's file; see ``__main__.py``."""
