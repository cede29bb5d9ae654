"""Chapter of the rule book: contactors opening, and the link that has to discharge."""

TITLE = "Shutting down"  # in the report
