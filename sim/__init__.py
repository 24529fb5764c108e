"""Stillair: is passive cooling enough for this battery pack, and by how much?

Discharge current > 0. Heat into a node > 0. A margin > 0 is safe.
Inside: s, V, A, W, J, ohm, K and a state of charge from 0 to 1. Files and people see
degrees Celsius, Ah, Wh and percent; the conversion stands at that edge only.

Reading order, which is also the order of imports (low to high):
errors, units -> physics -> drive -> integrate -> judge -> files -> fit -> ask -> show ->
commands -> cli
"""

__version__ = "0.4.0"
