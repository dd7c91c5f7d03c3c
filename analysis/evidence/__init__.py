"""Swings in, evidence out: comparisons, spread, reading, relations, plan and story."""
