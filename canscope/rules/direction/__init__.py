"""Chapter of the rule book: which way and how fast units turn, and whether they work together."""

TITLE = "Motion"  # in the report
