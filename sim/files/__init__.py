"""Files as people write them, checked, into the records of the floors below."""
