"""Chapter of the rule book: whether messages, frames and the recording itself are whole."""

TITLE = "Bus and recording"  # in the report
