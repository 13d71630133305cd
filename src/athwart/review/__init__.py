"""The review map: marks, their errors and how they came about, on one page without a network."""
