"""Chapter of the rule book: pre-charge, contactors closing, and the 12 V supply meanwhile."""

TITLE = "Contactors and powering up"  # in the report
