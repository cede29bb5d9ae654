"""Chapter of the rule book: temperatures, coolant, and running without coolant or oil."""

TITLE = "Heat"  # in the report
