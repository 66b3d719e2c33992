"""Synthetic clips with exactly known truth, and the generator that makes them."""
