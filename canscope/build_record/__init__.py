"""What outlives a single run: reports verified, runs compared, the record of a vehicle."""
