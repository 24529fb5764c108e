"""The day: what is asked of the pack, and the air around it, as segments of constant load."""
