"""Results of earlier runs in the user's cache folder: compiled definitions and checked plans."""
