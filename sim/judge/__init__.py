"""From margins over time to events, the audit and the verdict."""
