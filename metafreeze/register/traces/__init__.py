"""From a table that is a trace to clean channels against seconds."""
