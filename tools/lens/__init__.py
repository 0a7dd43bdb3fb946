"""Lens work: marks, matched pairs, two-camera geometry, depth of field and the precision budget."""
