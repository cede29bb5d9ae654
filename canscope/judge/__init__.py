"""The only place that draws verdicts; a whole run or pieces of it, it makes no difference."""
