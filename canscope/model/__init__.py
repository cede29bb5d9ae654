"""Floor 0: the nouns that everything else speaks in. No file, socket or plot."""
