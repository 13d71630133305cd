"""What people ask of plans and what they are told, for the command line and the desk alike.

`athwart.plan` computes. Here stands what both faces of it need around that: places out of what was
typed, the water out of what was given, and results as sentences. No sentence speaks of an option.
"""
