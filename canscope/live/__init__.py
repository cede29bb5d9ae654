"""Floor 4: recording silently and watching live. Owns clocks, adapters and run folders."""
