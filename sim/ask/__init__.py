"""The questions: each takes a scenario and returns a result."""
