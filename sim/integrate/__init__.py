"""From a start state through all segments to a trace."""
