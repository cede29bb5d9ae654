"""Chapter of the rule book: voltage, current and power of the high-voltage side."""

TITLE = "Voltage and current"  # in the report
