"""Error as numbers: the budget, its propagation, and the figures that people read."""
