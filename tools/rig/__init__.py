"""Whole rigs: range-driven focus, hand-back, several controls, check and apply, set-ups."""
