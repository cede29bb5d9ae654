"""From a capture and definitions to what is in it, and to a first plan."""
