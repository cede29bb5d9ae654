"""Chapter of the rule book: brake, direction, pedal and emergency stop."""

TITLE = "Driver inputs"  # in the report
