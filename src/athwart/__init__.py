"""Side-scan picks and plotter waypoints in; true positions with an honest error out."""

__version__ = "0.1.0"
