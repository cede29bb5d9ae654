"""Chapter of the rule book: insulation of the high voltage from the body."""

TITLE = "Insulation"  # in the report
