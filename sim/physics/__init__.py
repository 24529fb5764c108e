"""What the pack is made of and what it does: pure functions, no files."""
