"""From measured logs to a cell's parameters, with how sure they are; floor 6 of the layout."""
