"""Sonar geometry as pure functions on arrays: no file, no table, no clock."""
