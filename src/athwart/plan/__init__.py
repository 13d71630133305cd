"""Going back: what the water over a mark does, what is not yet looked at, and how to go there.

Pure functions on tables and arrays; results that have a place are `athwart.features.Feature`.
Everything here is advice with its error stated, and no guidance for navigation.
"""
