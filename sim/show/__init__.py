"""Results as words, tables and pictures."""
