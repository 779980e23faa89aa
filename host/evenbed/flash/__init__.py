"""Putting the firmware on a board: what belongs there, what is there, and the way from the one to the other."""
