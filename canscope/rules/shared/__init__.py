"""What the rules of several chapters share; no rule lives here."""
